package limited_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"swathkeeper/worker/limited"
)

func TestLimits(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name string, size int64) string {
		path := filepath.Join(dir, name)
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.Truncate(size); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		return path
	}
	full, over := write("full", limited.Small), write("over", limited.Small+1)
	if b, err := limited.Read(full, limited.Small); err != nil || len(b) != limited.Small {
		t.Errorf("%d bytes, %v", len(b), err)
	}
	if err := limited.Check(full, limited.Small); err != nil {
		t.Error(err)
	}
	_, err := limited.Read(over, limited.Small)
	for _, err := range []error{err, limited.Check(over, limited.Small)} {
		if err == nil || !strings.Contains(err.Error(), "over holds more than 1 MB") {
			t.Errorf("one byte more: %v", err)
		}
	}
	if _, err := limited.Read(filepath.Join(dir, "none"), 1); !os.IsNotExist(err) {
		t.Errorf("no file: %v", err)
	}
	for _, none := range []string{"", filepath.Join(dir, "none")} {
		if err := limited.Check(none, 1); err != nil {
			t.Errorf("%q: %v", none, err)
		}
	}
	if _, err := os.Stat("/dev/zero"); err != nil {
		return // a system without
	}
	if _, err := limited.Read("/dev/zero", limited.Small); err == nil {
		t.Error("a device without end was read")
	}
	if err := limited.Check("/dev/zero", limited.Small); err == nil {
		t.Error("a device would be read")
	}
}
