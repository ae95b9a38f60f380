package judge

import (
	"encoding/json"
	"testing"

	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// BenchmarkEncodeRecord writes what is stored of one reading: its verdict, state and all.
func BenchmarkEncodeRecord(b *testing.B) {
	w := newWorld(b)
	m := w.baseline(10, true)
	v, _ := w.judge(m, State{}, w.read(madeup.Faults{}, &madeup.State{}))
	rec := &protocol.Record{Schema: protocol.SchemaRecord, ID: v.ID, Kind: protocol.KindVerdict, Series: v.Series, At: v.At, Site: v.Site, Printer: v.Printer,
		Verdict: v, Text: "heron: pennant-knit/deep pressed: in control", PrinterState: json.RawMessage(`{"version":1}`)}
	data, err := protocol.Encode(rec)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := protocol.Encode(rec); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLearn freezes a baseline of ten readings of 360 patches and 8 traces.
func BenchmarkLearn(b *testing.B) {
	w := newWorld(b)
	var good []*protocol.Reading
	for range 10 {
		good = append(good, w.read(madeup.Faults{}, &madeup.State{}))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Learn("00000000-0000-5000-8000-000000000000", w.chart, good, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
