package protocol_test

import (
	"testing"

	"swathkeeper/protocol"
)

// A reading against its layout: what is another chart's is refused by name, what is merely missing
// is left to the judge.
func TestReadingAgainstItsChart(t *testing.T) {
	for _, c := range []struct {
		name        string
		edit        func(r *protocol.Reading)
		code, field string
	}{
		{"as it is", func(*protocol.Reading) {}, "", ""},
		{"patches missing", func(r *protocol.Reading) { r.Patches.ID, r.Patches.Lab = r.Patches.ID[:1], r.Patches.Lab[:1] }, "", ""},
		{"traces only", func(r *protocol.Reading) { r.Patches = nil }, "", ""},
		{"patches in another order, by id", func(r *protocol.Reading) { r.Patches.ID = []string{"A4", "A3", "A2", "A1"} }, "", ""},
		{"other chart", func(r *protocol.Reading) { r.Chart = "pennant-rgb" }, protocol.CodeWrongChart, "chart"},
		{"other edition", func(r *protocol.Reading) { r.Edition = "b2" }, protocol.CodeWrongChart, "chart"},
		{"no edition", func(r *protocol.Reading) { r.Edition = "" }, protocol.CodeWrongChart, "chart"},
		{"unknown patch", func(r *protocol.Reading) { r.Patches.ID[2] = "Z9" }, protocol.CodeWrongChart, "patches.id[2]"},
		{"ids with other case", func(r *protocol.Reading) { r.Patches.ID[0] = "a1" }, protocol.CodeWrongChart, "patches.id[0]"},
		{"device agrees", func(r *protocol.Reading) {
			r.Patches.Device = protocol.Matrix{{0, 0, 0, 0}, {100, 0, 0, 0}, {0, 100, 0, 0}, {0, 0, 100, 0}}
		}, "", ""},
		{"device agrees, rounded", func(r *protocol.Reading) {
			r.Patches.Device = protocol.Matrix{{0, 0, 0, 0}, {99.5, 0.5, 0, 0}, {0, 100.5, 0, 0}, {0, 0, 100, 0}}
		}, "", ""},
		{"device of another order", func(r *protocol.Reading) {
			r.Patches.Device = protocol.Matrix{{0, 0, 0, 0}, {0, 100, 0, 0}, {100, 0, 0, 0}, {0, 0, 100, 0}}
		}, protocol.CodeWrongChart, "patches.device[1]"},
		{"device off by one", func(r *protocol.Reading) {
			r.Patches.Device = protocol.Matrix{{0, 0, 0, 0}, {100, 0, 0, 0}, {0, 99, 0, 0}, {0, 0, 100, 0}}
		}, protocol.CodeWrongChart, "patches.device[2]"},
		{"device of three channels", func(r *protocol.Reading) {
			r.Patches.Device = protocol.Matrix{{0, 0, 0}, {100, 0, 0}, {0, 100, 0}, {0, 0, 100}}
		}, protocol.CodeWrongChart, "patches.device[0]"},
		{"unknown strip", func(r *protocol.Reading) { r.Traces[0].Strip = "C-right" }, protocol.CodeWrongChart, "traces[0].strip"},
		{"strip of another channel", func(r *protocol.Reading) { r.Traces[0].Channel = "M" }, protocol.CodeWrongChart, "traces[0].channel"},
		{"strip of another tint", func(r *protocol.Reading) { r.Traces[0].TintPercent = 25 }, protocol.CodeWrongChart, "traces[0].tint_percent"},
		{"tint not given", func(r *protocol.Reading) { r.Traces[0].TintPercent = 0 }, "", ""},
		{"white strip", func(r *protocol.Reading) {
			r.Traces[0].Strip, r.Traces[0].Channel, r.Traces[0].TintPercent = "white", "", 0
		}, "", ""},
		{"ink strip that names no channel", func(r *protocol.Reading) { r.Traces[0].Channel, r.Traces[0].TintPercent = "", 0 }, protocol.CodeWrongChart, "traces[0].channel"},
	} {
		t.Run(c.name, func(t *testing.T) {
			chart, err := protocol.DecodeChart(read(t, messages+"/chart.json"))
			if err != nil {
				t.Fatal(err)
			}
			r, err := protocol.DecodeReading(read(t, messages+"/reading.json"))
			if err != nil {
				t.Fatal(err)
			}
			c.edit(r)
			refusedAs(t, chart.CheckReading(r), c.code, c.field)
		})
	}
}
