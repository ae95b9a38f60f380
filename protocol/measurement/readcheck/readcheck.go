// Package readcheck holds what the fuzz tests of all readers of measurement files ask of them.
package readcheck

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"swathkeeper/protocol/measurement"
)

// Seeds begins a fuzz test with the files that the patterns name, those of most bytes and less.
func Seeds(f *testing.F, most int, patterns ...string) {
	f.Helper()
	for _, p := range patterns {
		names, err := filepath.Glob(p)
		if err != nil || len(names) == 0 {
			f.Fatalf("no files %s", p)
		}
		for _, name := range names {
			data, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			if len(data) <= most {
				f.Add(data)
			}
		}
	}
}

// Read reads data, whatever it is. The reader must end with an error of its own kind and nothing
// beside it, for which Read gives nil, or with patches that hold together; and it must not allocate
// more than 16 times the input (and 256 KB).
func Read(t *testing.T, data []byte, read func([]byte, string, measurement.Options) (*measurement.File, error)) *measurement.File {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	m, err := read(data, "fuzz", measurement.Options{})
	runtime.ReadMemStats(&after)
	if n := after.TotalAlloc - before.TotalAlloc; n > 16*uint64(len(data))+256<<10 {
		t.Errorf("%d bytes allocated for %d", n, len(data))
	}
	if err != nil {
		var e *measurement.Error
		if !errors.As(err, &e) || e.Problem == "" || m != nil {
			t.Fatalf("error %v beside %v", err, m)
		}
		return nil
	}
	if err := m.Consistent(); err != nil {
		t.Fatal(err)
	}
	return m
}
