package scan_test

import (
	"bytes"
	"runtime"
	"sync"
	"testing"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/madeup"
	"swathkeeper/measure/scan"
)

// sheetA4 is an A4 chart scanned at 600 dpi in 8-bit RGB, as files: uncompressed and deflated.
var sheetA4 = sync.OnceValues(func() (l *chart.Layout, files map[string][]byte) {
	l, err := chart.New(chart.Spec{ID: "pennant-cmyk", Mirrored: true, StepMM: stepMM, Passes: 4})
	if err != nil {
		panic(err)
	}
	p, err := madeup.Sheet{Layout: l, Number: "1"}.Print(0.15)
	if err != nil {
		panic(err)
	}
	pic, err := p.Scan(madeup.Flatbed{DPI: 600, Bits: 8, TurnDegrees: 0.7, Flip: true, Knit: 0.02, Noise: 0.004})
	if err != nil {
		panic(err)
	}
	files = map[string][]byte{}
	for name, deflate := range map[string]bool{"plain": false, "deflate": true} {
		if files[name], err = pic.TIFF(deflate, nil); err != nil {
			panic(err)
		}
	}
	return l, files
})

// BenchmarkA4 gives, for an A4 scan at 600 dpi, the time of decoding alone and of reading what
// is decoded; their ratio is to stay under 1.5.
func BenchmarkA4(b *testing.B) {
	l, files := sheetA4()
	for _, name := range []string{"plain", "deflate"} {
		f := files[name]
		decode := func() *scan.Picture {
			p, err := scan.Decode(bytes.NewReader(f), int64(len(f)), scan.Limits{})
			if err != nil {
				b.Fatal(err)
			}
			return p
		}
		b.Run(name+"/decode", func(b *testing.B) {
			for b.Loop() {
				decode()
			}
		})
		b.Run(name+"/reduce", func(b *testing.B) {
			p := decode()
			for b.Loop() {
				if _, err := scan.Read(p, lookup(l), scan.Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkA4Memory gives the memory taken by decoding and reading an A4 scan over the bytes of
// the decoded picture: to stay under 1.5. All that is ever taken is counted, so this is more
// than the peak.
func BenchmarkA4Memory(b *testing.B) {
	l, files := sheetA4()
	f := files["plain"]
	var m0, m1 runtime.MemStats
	for b.Loop() {
		runtime.GC()
		runtime.ReadMemStats(&m0)
		p, err := scan.Decode(bytes.NewReader(f), int64(len(f)), scan.Limits{})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := scan.Read(p, lookup(l), scan.Options{}); err != nil {
			b.Fatal(err)
		}
		runtime.ReadMemStats(&m1)
		b.ReportMetric(float64(m1.TotalAlloc-m0.TotalAlloc)/float64(len(p.Pix)), "bytes/picture-byte")
	}
}
