package exchange_test

import (
	"bytes"
	"os"
	"testing"
	"time"

	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
)

// BenchmarkRead1617 reads 1,617 patches with device values, XYZ and Lab in each format.
func BenchmarkRead1617(b *testing.B) {
	data, err := os.ReadFile("../../testdata/charts/FOGRA39L.txt")
	if err != nil {
		b.Fatal(err)
	}
	files, err := exchange.Read(data, "fogra", measurement.Options{})
	if err != nil {
		b.Fatal(err)
	}
	for _, format := range []measurement.Format{measurement.CGATS, measurement.CxF, measurement.CSV} {
		var text bytes.Buffer
		if err := exchange.Write(&text, files[0], format, time.Unix(0, 0)); err != nil {
			b.Fatal(err)
		}
		b.Run(string(format), func(b *testing.B) {
			b.SetBytes(int64(text.Len()))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := exchange.Read(text.Bytes(), "fogra", measurement.Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
