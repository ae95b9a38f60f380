package table_test

import (
	"bytes"
	"reflect"
	"testing"

	"swathkeeper/protocol/measurement"
	"swathkeeper/protocol/measurement/readcheck"
	"swathkeeper/protocol/table"
)

// FuzzRead: whatever comes in, the reader ends, with an error of its own kind or with patches that
// hold together, and never allocates more than 16 times the input (and 256 KB). What it takes is
// written and read again the same.
func FuzzRead(f *testing.F) {
	readcheck.Seeds(f, 1<<20, "../../testdata/files/*.csv", "../../testdata/files/*.tsv")
	f.Fuzz(func(t *testing.T, data []byte) {
		m := readcheck.Read(t, data, table.Read)
		if m == nil {
			return
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
