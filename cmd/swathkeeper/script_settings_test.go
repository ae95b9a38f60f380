package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/rogpeppe/go-internal/testscript"

	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
	"swathkeeper/worker/search"
)

// dialled is a made-up printer behind a driver with hidden sliders, for scripts:
//
//	dialled layout FILE              writes its chart's layout
//	dialled print FILE DAY a=1,b=2   prints under these settings on that day, presses, reads
//	dialled asked FILE DAY SEARCH    the same, under the settings that the search asks for
//	dialled spoilt FILE DAY a=1,b=2  the same, but the press was far too cold
func dialled(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("dialled layout|print|asked|spoilt FILE ...")
	}
	cfg := madeup.DefaultConfig()
	cfg.Chart = madeup.RGBChart()
	var err error
	cfg.Panel, err = madeup.NewPanel(21, madeup.PanelTone)
	ts.Check(err)
	shop, err := madeup.NewShop(21, cfg)
	ts.Check(err)
	chart := shop.Chart()
	if args[0] == "layout" {
		l := protocol.Chart{Schema: protocol.SchemaChart, ID: "pennant-rgb", Edition: "e1", Channels: chart.Channels, Driven: chart.Driven}
		for p := range chart.IDs {
			l.Patches = append(l.Patches, protocol.Patch{ID: chart.IDs[p], Row: chart.Row[p], Col: chart.Col[p], Device: chart.Device[p]})
		}
		writeScriptJSON(ts, args[1], l)
		return
	}
	preset := "search"
	switch len(args) {
	case 4:
	case 5:
		preset = args[4]
	default:
		ts.Fatalf("dialled print FILE DAY SLIDER=VALUE,... [PRESET]")
	}
	day, err := strconv.Atoi(args[2])
	ts.Check(err)
	f := madeup.Faults{Dials: cfg.Panel.Rest()}
	var items []string
	if args[0] == "asked" {
		s, err := search.Load(ts.MkAbs(args[3]))
		ts.Check(err)
		for i, sl := range s.Sliders {
			items = append(items, fmt.Sprintf("%s=%g", sl.Name, s.Next[i]))
		}
	} else {
		items = strings.Split(args[3], ",")
	}
	for _, item := range items {
		name, text, _ := strings.Cut(item, "=")
		v, err := strconv.ParseFloat(text, 64)
		ts.Check(err)
		known := false
		for i, d := range cfg.Panel.Dials() {
			if d.Name == name {
				f.Dials[i], known = v, true
			}
		}
		if !known {
			ts.Fatalf("no slider %q", name)
		}
	}
	if args[0] == "spoilt" {
		f.Press = madeup.Press{Celsius: -45, Seconds: -20}
	}
	read, err := shop.Read(madeup.Occasion{Day: day}, f)
	ts.Check(err)
	r := protocol.Reading{
		Schema: protocol.SchemaReading, ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte(fmt.Sprint(args))).String(),
		TakenAt: time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC).AddDate(0, 0, day), Site: "quay", Printer: "heron", Chart: "pennant-rgb", Edition: "e1",
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: preset, Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"},
		Press:      &protocol.Press{Celsius: 200, Seconds: 50},
		Patches:    &protocol.Patches{ID: chart.IDs},
	}
	for _, c := range read.Lab {
		r.Patches.Lab = append(r.Patches.Lab, [3]float64{c.L, c.A, c.B})
	}
	writeScriptJSON(ts, args[1], r)
}

func writeScriptJSON(ts *testscript.TestScript, name string, v any) {
	data, err := json.Marshal(v)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(name), data, 0o644))
}

// verdicts waits until a running worker has given so many verdicts.
func verdicts(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("verdicts DATA N")
	}
	want, err := strconv.Atoi(args[1])
	ts.Check(err)
	until(ts, fmt.Sprintf("there are not %d verdicts", want), func() bool {
		return ts.Exec("swathkeeper", "history", "--data", args[0], "--kind", "verdict", "--json") == nil &&
			strings.Count(ts.ReadFile("stdout"), "\n") >= want
	})
}

// tiles presses the tiles of a plan on a made-up press, and reads them:
//
//	tiles PLAN FILE    a table of colours, or a reading where FILE ends in .json; $edition is the sheet's
func tiles(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("tiles PLAN FILE")
	}
	var plan pressPlan
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &plan))
	ts.Setenv("edition", plan.Chart.Edition)
	cfg := madeup.DefaultConfig()
	c := &madeup.Chart{Channels: plan.Chart.Channels, Driven: plan.Chart.Driven}
	for _, p := range plan.Chart.Patches {
		c.IDs, c.Device = append(c.IDs, p.ID), append(c.Device, p.Device)
	}
	cfg.Chart = c
	shop, err := madeup.NewShop(4, cfg)
	ts.Check(err)
	var b strings.Builder
	b.WriteString("id,L,a,b\n")
	r := protocol.Reading{
		Schema: protocol.SchemaReading, ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte(fmt.Sprint(args))).String(),
		TakenAt: time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC), Site: "quay", Printer: plan.Printer, Chart: plan.Chart.ID, Edition: plan.Chart.Edition,
		Condition:  protocol.Condition{Media: plan.Media, Preset: "search", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"}, Patches: &protocol.Patches{ID: c.IDs},
	}
	each := len(c.IDs) / len(plan.Plan.Tiles)
	for n, t := range plan.Plan.Tiles {
		f := madeup.Faults{Press: madeup.Press{Celsius: t.Celsius - cfg.Press.Celsius, Seconds: t.Seconds - cfg.Press.Seconds}}
		read, err := shop.Read(madeup.Occasion{Day: 1, Print: n}, f)
		ts.Check(err)
		for k := n * each; k < (n+1)*each; k++ {
			lab := read.Lab[k]
			fmt.Fprintf(&b, "%s,%.3f,%.3f,%.3f\n", c.IDs[k], lab.L, lab.A, lab.B)
			r.Patches.Lab = append(r.Patches.Lab, [3]float64{lab.L, lab.A, lab.B})
		}
	}
	if strings.HasSuffix(args[1], ".json") {
		writeScriptJSON(ts, args[1], r)
		return
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(b.String()), 0o644))
}
