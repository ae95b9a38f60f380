package exchange_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
)

// FuzzConvert: what is read from any format is refused by a writer, by name,
// or written and read again the same.
func FuzzConvert(f *testing.F) {
	names, err := filepath.Glob("../../testdata/files/*.*")
	if err != nil || len(names) == 0 {
		f.Fatal("no files")
	}
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		if len(data) < 2_500 {
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		files, err := exchange.Read(data, "fuzz", measurement.Options{})
		if err != nil || files[0].Len() == 0 || files[0].RGB != nil {
			return
		}
		m := files[0]
		for _, format := range []measurement.Format{measurement.CGATS, measurement.CxF, measurement.CSV, measurement.TSV} {
			var b bytes.Buffer
			if err := exchange.Write(&b, m, format, time.Unix(0, 0)); err != nil {
				var e *measurement.Error
				if !errors.As(err, &e) {
					t.Fatal(err)
				}
				continue
			}
			again, err := exchange.Read(b.Bytes(), "written", measurement.Options{Layout: true})
			if err != nil {
				t.Fatalf("%s: %v in\n%s", format, err, b.String())
			}
			for _, x := range []*measurement.File{m, again[0]} { // not every format has a place for free text
				x.Condition.Instrument, x.Condition.Serial, x.Condition.Geometry, x.Condition.Backing, x.Condition.Source = "", "", "", "", ""
			}
			if what := difference(m, again[0]); what != "" {
				t.Fatalf("%s changed by writing as %s\n%s", what, format, b.String())
			}
		}
	})
}
