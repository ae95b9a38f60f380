package worker_test

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/rs/zerolog"

	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/doctor"
)

// A worker that shows another certificate than at its last start says so, and one that shows the same does
// not. What it notes for that is nobody's baseline.
func TestAnotherCertificateIsSaid(t *testing.T) {
	cert := func() string {
		t.Helper()
		dir := t.TempDir()
		if _, err := bus.ServerCert(dir, "", "", "127.0.0.1"); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	first, second := cert(), cert()
	var log *lines
	files := first
	b := setupWith(t, func(o *worker.Options) {
		log = &lines{}
		o.Listen, o.ListenCert, o.ListenKey, o.Log = "127.0.0.1:0", filepath.Join(files, bus.CertFile), filepath.Join(files, bus.KeyFile), zerolog.New(log)
	})
	said := func() bool {
		b.stop() // the log is complete
		return strings.Contains(log.text(), "the certificate is another than at the last start")
	}
	if said() {
		t.Error("said at the first start")
	}
	b.start()
	if f := doctor.Baselines(t.Context(), b.w.JetStream(), monday); doctor.Worst(f) == doctor.Fault {
		t.Errorf("doctor says %+v", f)
	}
	if said() {
		t.Error("said of the same certificate")
	}
	files = second
	b.start()
	if !said() {
		t.Errorf("not said; the log:\n%s", log.text())
	}
}
