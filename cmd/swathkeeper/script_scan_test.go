package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
)

// Commands of scripts that stand for a printer, a press, a scanner and a spectrophotometer:
//
//	scanned PICTURE LAYOUT [number=N] [dpi=N] [seed=N] [flip] [grey] [bits=N] [dust=N] [gain=X]
//	measured FILE LAYOUT [plus=X]
//	appears FILE, which waits for a file of another process
//	soon COMMAND ..., which tries until it works
//
// The measurement is the truth of the made-up print, as a table of Lab, with X added to every L*. A
// scanner with a gain is one whose red is that much stronger than it should be.

func scriptLayout(ts *testscript.TestScript, name string) *chart.Layout {
	var l chart.Layout
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(name)), &l))
	ts.Check(l.Validate())
	return &l
}

func scanned(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("scanned PICTURE LAYOUT OPTION...")
	}
	opt := map[string]string{"dpi": "150", "seed": "1", "bits": "8", "dust": "0", "gain": "1"}
	for _, a := range args[2:] {
		k, v, _ := strings.Cut(a, "=")
		opt[k] = v
	}
	number := func(k string) float64 {
		v, err := strconv.ParseFloat(opt[k], 64)
		ts.Check(err)
		return v
	}
	_, flip := opt["flip"]
	_, grey := opt["grey"]
	printed, err := madeup.Sheet{Layout: scriptLayout(ts, args[1]), Number: opt["number"], RowsPerInch: 75}.Print(0.15)
	ts.Check(err)
	p, err := printed.Scan(madeup.Flatbed{DPI: number("dpi"), Bits: int(number("bits")), Flip: flip, Grey: grey, TurnDegrees: 1, Noise: 0.004, Dust: int(number("dust")), Seed: uint64(number("seed"))})
	ts.Check(err)
	if gain := number("gain"); gain != 1 && p.Bits == 8 && !grey {
		for i := 0; i < len(p.Pix); i += 3 {
			p.Pix[i] = byte(min(254, float64(p.Pix[i])*gain))
		}
	}
	b, err := p.TIFF(true, nil)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o644))
}

func measured(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("measured FILE LAYOUT")
	}
	plus := 0.0
	if len(args) > 2 {
		_, err := fmt.Sscanf(args[2], "plus=%f", &plus)
		ts.Check(err)
	}
	l := scriptLayout(ts, args[1])
	var b strings.Builder
	b.WriteString("id,L,a,b\n")
	for _, p := range l.Patches {
		rgb := madeup.Sheet{Layout: l}.Reflectance(p.Device, nil)
		lab := colour.LinearRGB(rgb[0], rgb[1], rgb[2]).Lab(colour.D50)
		fmt.Fprintf(&b, "%s,%.3f,%.3f,%.3f\n", p.ID, lab.L+plus, lab.A, lab.B)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b.String()), 0o644))
}

func appears(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("appears FILE")
	}
	until(ts, args[0]+" does not appear", func() bool {
		_, err := os.Stat(ts.MkAbs(args[0]))
		return err == nil
	})
}

func soon(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("soon COMMAND ...")
	}
	until(ts, strings.Join(args, " ")+" does not work", func() bool { return ts.Exec(args[0], args[1:]...) == nil })
}

// until looks again and again, for a minute: nothing tells of what other processes do.
func until(ts *testscript.TestScript, what string, ok func() bool) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(time.Minute); !ok(); <-tick.C {
		if time.Now().After(end) {
			ts.Fatalf("%s", what)
		}
	}
}
