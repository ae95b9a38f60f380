package doctor_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/doctor"
)

// A certificate that is gone or damaged cuts every station off at the next start; it is said before.
func TestCertificateGoneOrDamaged(t *testing.T) {
	dir := t.TempDir()
	faults := func(text string) bool {
		return slices.ContainsFunc(doctor.Folder(dir, time.Now()), func(f doctor.Finding) bool {
			return f.Verdict == doctor.Fault && strings.Contains(f.Text, text) && strings.Contains(f.Next, "fingerprint")
		})
	}
	if _, err := bus.ServerCert(dir, "", "", "127.0.0.1"); err != nil {
		t.Fatal(err)
	}
	if faults("certificate") {
		t.Errorf("a good one: %+v", doctor.Folder(dir, time.Now()))
	}
	if err := os.WriteFile(filepath.Join(dir, bus.KeyFile), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := bus.ServerCert(dir, "", "", "127.0.0.1"); err == nil || !strings.Contains(err.Error(), "from a copy") {
		t.Errorf("an empty key: %v", err)
	}
	if !faults("certificate") {
		t.Errorf("an empty key: %+v", doctor.Folder(dir, time.Now()))
	}
	if err := os.Remove(filepath.Join(dir, bus.CertFile)); err != nil {
		t.Fatal(err)
	}
	if !faults("is gone") {
		t.Errorf("no certificate: %+v", doctor.Folder(dir, time.Now()))
	}
}
