package cgats_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"swathkeeper/protocol/cgats"
	"swathkeeper/protocol/measurement"
)

// FuzzRead: whatever comes in, the reader ends, with an error of its own kind
// or with patches that hold together, and never allocates more than 16 times
// the input (and 256 KB). What it takes is written and read again the same.
func FuzzRead(f *testing.F) {
	for _, p := range []string{"../../testdata/files/*.txt", "../../testdata/charts/*.txt"} {
		names, err := filepath.Glob(p)
		if err != nil || len(names) == 0 {
			f.Fatalf("no files %s", p)
		}
		for _, name := range names {
			data, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			if len(data) < 20_000 {
				f.Add(data)
			}
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		m, err := cgats.Read(data, "fuzz", measurement.Options{})
		runtime.ReadMemStats(&after)
		if n := after.TotalAlloc - before.TotalAlloc; n > 16*uint64(len(data))+256<<10 {
			t.Errorf("%d bytes allocated for %d", n, len(data))
		}
		if err != nil {
			var e *measurement.Error
			if !errors.As(err, &e) || e.Problem == "" || m != nil {
				t.Fatalf("error %v beside %v", err, m)
			}
			return
		}
		if err := m.Consistent(); err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := cgats.Write(&b, m); err != nil {
			var e *measurement.Error
			if !errors.As(err, &e) {
				t.Fatal(err)
			}
			return
		}
		again, err := cgats.Read(b.Bytes(), "written", measurement.Options{})
		if err != nil {
			t.Fatalf("%v in\n%s", err, b.String())
		}
		same(t, m, again)
	})
}
