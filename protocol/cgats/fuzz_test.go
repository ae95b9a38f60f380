package cgats_test

import (
	"bytes"
	"errors"
	"testing"

	"swathkeeper/protocol/cgats"
	"swathkeeper/protocol/measurement"
	"swathkeeper/protocol/measurement/readcheck"
)

// FuzzRead: whatever comes in, the reader ends, with an error of its own kind
// or with patches that hold together, and never allocates more than 16 times
// the input (and 256 KB). What it takes is written and read again the same.
func FuzzRead(f *testing.F) {
	readcheck.Seeds(f, 20_000, "../../testdata/files/*.txt", "../../testdata/charts/*.txt")
	f.Fuzz(func(t *testing.T, data []byte) {
		m := readcheck.Read(t, data, cgats.Read)
		if m == nil {
			return
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
