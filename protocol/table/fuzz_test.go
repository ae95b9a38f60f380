package table_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"testing"

	"swathkeeper/protocol/measurement"
	"swathkeeper/protocol/table"
)

// FuzzRead: whatever comes in, the reader ends, with an error of its own kind or with patches that
// hold together, and never allocates more than 16 times the input (and 256 KB). What it takes is
// written and read again the same.
func FuzzRead(f *testing.F) {
	for _, p := range []string{"*.csv", "*.tsv"} {
		names, err := filepath.Glob("../../testdata/files/" + p)
		if err != nil || len(names) == 0 {
			f.Fatalf("no files %s", p)
		}
		for _, name := range names {
			data, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		m, err := table.Read(data, "fuzz", measurement.Options{})
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
		for _, comma := range []rune{',', ';', '\t'} {
			var b bytes.Buffer
			if err := table.Write(&b, m, comma); err != nil {
				t.Fatal(err)
			}
			again, err := table.Read(b.Bytes(), "written", measurement.Options{})
			if err != nil {
				t.Fatalf("%v in\n%s", err, b.String())
			}
			if !reflect.DeepEqual([]any{m.ID, m.Names, m.Lab, m.XYZ, m.Device, m.Spectra}, []any{again.ID, again.Names, again.Lab, again.XYZ, again.Device, again.Spectra}) {
				t.Fatalf("changed by writing and reading\n%s", b.String())
			}
		}
	})
}
