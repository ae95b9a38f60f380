package protocol

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
)

// benchReading makes the JSON of a reading as a station writes it: patches rows of L*a*b* with two
// decimals, and traces of samples each, as numbers with four decimals or as f32.
func benchReading(patches, traces, samples int, f32 bool) []byte {
	var b strings.Builder
	b.WriteString(`{"schema":"swathkeeper.reading/1","id":"0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11","taken_at":"2026-03-04T07:12:09+01:00",` +
		`"site":"quay","printer":"heron","station":"bench-1","chart":"pennant-cmyk","edition":"a1b2c3d4",` +
		`"condition":{"media":"pennant-knit","preset":"deep","stage":"pressed","path":"device"},` +
		`"instrument":{"kind":"spectrophotometer","mode":"M1","calibrated_at":"2026-03-04T06:58:00+01:00","backing":"white"},` +
		`"print":{"number":"000412","printed_at":"2026-03-04T06:40:00+01:00","replicates":1},"press":{"celsius":200,"seconds":50},` +
		`"room":{"celsius":22.5,"humidity_percent":47},"lots":{"ink":{"C":"2231"},"media":"roll 18"}`)
	if patches > 0 {
		b.WriteString(`,"patches":{"id":[`)
		for i := range patches {
			if i > 0 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, `"%c%d"`, 'A'+i/20, i%20+1)
		}
		b.WriteString(`],"lab":[`)
		for i := range patches {
			if i > 0 {
				b.WriteByte(',')
			}
			t := float64(i)
			fmt.Fprintf(&b, "[%.2f,%.2f,%.2f]", 55+40*math.Sin(t), 60*math.Cos(1.3*t), 70*math.Sin(0.7*t))
		}
		b.WriteString(`]}`)
	}
	if traces > 0 {
		b.WriteString(`,"traces":[`)
		for k := range traces {
			if k > 0 {
				b.WriteByte(',')
			}
			ch := "CMYK"[k%4 : k%4+1]
			fmt.Fprintf(&b, `{"strip":"%s-%d","channel":"%s","tint_percent":50,"start_mm":18,"pitch_um":84.667,"unit":"density",`, ch, k, ch)
			v := make([]float64, samples)
			for i := range v {
				v[i] = 0.6 + 0.01*math.Sin(float64(i*(k+1)))
			}
			if f32 {
				b.WriteString(`"f32":"` + PackF32(v) + `"}`)
				continue
			}
			b.WriteString(`"values":[`)
			for i, x := range v {
				if i > 0 {
					b.WriteByte(',')
				}
				b.WriteString(strconv.FormatFloat(x, 'f', 4, 64))
			}
			b.WriteString(`]}`)
		}
		b.WriteByte(']')
	}
	b.WriteByte('}')
	return []byte(b.String())
}

// BenchmarkDecodeReading measures what the worker does first with every reading: JSON to a checked
// Reading. Beside it stands what encoding/json needs for the same bytes and types, without any of
// the checks.
func BenchmarkDecodeReading(b *testing.B) {
	for _, c := range []struct {
		name                     string
		patches, traces, samples int
		f32                      bool
	}{
		{"400lab", 400, 0, 0, false},
		{"400lab+8x2700values", 400, 8, 2700, false},
		{"400lab+8x2700f32", 400, 8, 2700, true},
	} {
		data := benchReading(c.patches, c.traces, c.samples, c.f32)
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := DecodeReading(data); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(c.name+"/encoding-json", func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				var r plainReading
				if err := json.Unmarshal(data, &r); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// plainReading is a Reading whose lists are plain, so that encoding/json decodes all of it itself.
type plainReading struct {
	Reading
	Patches *struct {
		ID  []string     `json:"id"`
		Lab [][3]float64 `json:"lab"`
	} `json:"patches"`
	Traces []struct {
		Strip   string    `json:"strip"`
		Channel string    `json:"channel"`
		StartMM float64   `json:"start_mm"`
		PitchUM float64   `json:"pitch_um"`
		Unit    string    `json:"unit"`
		Values  []float64 `json:"values"`
		F32     string    `json:"f32"`
	} `json:"traces"`
}

// BenchmarkEncodeReading measures what a station does last.
func BenchmarkEncodeReading(b *testing.B) {
	r, err := DecodeReading(benchReading(400, 8, 2700, true))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Encode(r); err != nil {
			b.Fatal(err)
		}
	}
}
