package scan_test

import (
	"bytes"
	"runtime"
	"sync"
	"testing"
	"time"

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
// is decoded; their ratio is to stay under 1.5. "pass" is one byte of each cache line of the
// picture looked at, once: the time in which memory can be gone through, which no way of reading a
// picture can beat by much. All are taken in turns, and the least of each is told: on a machine that
// does other work, too, the least is nearest to what the work itself takes. Decoding uses one core,
// reading all of them: "cpu" is what all cores together have worked, which other work disturbs less.
func BenchmarkA4(b *testing.B) {
	l, files := sheetA4()
	for _, name := range []string{"plain", "deflate"} {
		b.Run(name, func(b *testing.B) {
			f := files[name]
			var decode, reduce, pass least
			var bytesSeen int
			for b.Loop() {
				var p *scan.Picture
				runtime.GC() // the last picture's memory is not this one's cost
				decode.time(func() {
					var err error
					if p, err = scan.Decode(bytes.NewReader(f), int64(len(f)), scan.Limits{}); err != nil {
						b.Fatal(err)
					}
				})
				reduce.time(func() {
					if _, err := scan.Read(p, lookup(l), scan.Options{}); err != nil {
						b.Fatal(err)
					}
				})
				pass.time(func() {
					for i := 0; i < len(p.Pix); i += 64 {
						bytesSeen += int(p.Pix[i])
					}
				})
			}
			b.ReportMetric(decode.ms(), "decode-ms")
			b.ReportMetric(reduce.ms(), "reduce-ms")
			b.ReportMetric(pass.ms(), "pass-ms")
			b.ReportMetric(decode.cpuMS(), "decode-cpu-ms")
			b.ReportMetric(reduce.cpuMS(), "reduce-cpu-ms")
			b.ReportMetric(reduce.ms()/decode.ms(), "reduce/decode")
			b.ReportMetric(0, "ns/op") // of all three together: means nothing
			if bytesSeen == 0 {
				b.Error("a black picture")
			}
		})
	}
}

// least is the shortest of several times, by the clock and of all cores together.
type least struct{ d, cpu time.Duration }

func (l *least) time(f func()) {
	start, used := time.Now(), cpuTime()
	f()
	d, cpu := time.Since(start), cpuTime()-used
	if l.d == 0 || d < l.d {
		l.d = d
	}
	if l.cpu == 0 || cpu < l.cpu {
		l.cpu = cpu
	}
}

func (l *least) ms() float64    { return float64(l.d.Microseconds()) / 1000 }
func (l *least) cpuMS() float64 { return float64(l.cpu.Microseconds()) / 1000 }

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
