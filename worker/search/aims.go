package search

import (
	"errors"
	"fmt"

	"swathkeeper/measure/aim"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/pair"
	"swathkeeper/protocol"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/compare"
	"swathkeeper/worker/judge"
)

// ScreenAim is the default for a chart driven by rgb.
func ScreenAim(c *protocol.Chart) (Aim, error) {
	if c.Driven != protocol.DrivenRGB {
		return Aim{}, fmt.Errorf("chart %s asks for inks, and what those should look like no screen says; name a file of wanted colours with --aim: a characterisation table, or an earlier reading", c.ID)
	}
	return Aim{Kind: AimScreen}, nil
}

// FileAim takes the wanted colours from a measurement or a characterisation table. Patches are
// paired by id or by device values; a patch of the chart that the file does not hold gets the
// colour that lies between the file's patches, where the file has device values of the same
// channels, and none otherwise.
func FileAim(c *protocol.Chart, f *measurement.File) (Aim, error) {
	patches, err := f.Patches()
	if err != nil {
		return Aim{}, err
	}
	wanted, err := judge.Labs(patches)
	if err != nil {
		return Aim{}, fmt.Errorf("%s: %w", f.Name, err)
	}
	a := Aim{Kind: AimFile, Name: f.Name, Lab: make([]*[3]float64, len(c.Patches)), Mode: f.Condition.Mode}
	n := len(c.Patches)
	if r := f.Reading; r != nil {
		a.Media, a.Stage = r.Condition.Media, r.Condition.Stage
		if (r.Chart != c.ID || r.Edition != c.Edition) && (f.Device == nil || channelOrder(c, f) == nil) {
			return Aim{}, fmt.Errorf("%s is a reading of chart %s, not of %s, and has no device values that say which patch is which; read this chart, or take a reading with device values",
				f.Name, chartText(r.Chart, r.Edition), chartText(c.ID, c.Edition))
		}
	}
	left := n
	m, pairErr := pair.Match(chartSide(c), compare.Side(f, wanted), pair.Options{})
	if pairErr == nil {
		for i, p := range m.A {
			v := wanted[m.B[i]]
			a.Lab[p] = &[3]float64{v.L, v.A, v.B}
		}
		left = n - len(m.A)
	}
	left -= equals(c, f, wanted, a.Lab)
	if left > 0 {
		filled, err := fill(c, f, wanted, a.Lab)
		switch {
		case err == nil:
			a.Note = fmt.Sprintf("%d of the chart's %d patches are not in %s; their colours are read off between its patches", filled, n, f.Name)
		case errors.Is(err, errFew) && left > n/2:
			return Aim{}, fmt.Errorf("%s has %d patches, which are %d of the chart's %d; to read the others off between them at least %d are needed", f.Name, len(wanted), n-left, n, fillLeast)
		case pairErr != nil:
			return Aim{}, pairErr
		case left > n/2:
			return Aim{}, fmt.Errorf("%s has wanted colours for %d of the chart's %d patches only, and its device values do not say the others", f.Name, n-left, n)
		default:
			a.Note = fmt.Sprintf("%d of the chart's %d patches are not in %s and have no aim", left, n, f.Name)
		}
	}
	return a, nil
}

func chartSide(c *protocol.Chart) pair.Side {
	s := pair.Side{Label: "the chart", Channels: deviceChannels(c)}
	for i := range c.Patches {
		s.ID, s.Device = append(s.ID, c.Patches[i].ID), append(s.Device, c.Patches[i].Device)
	}
	return s
}

// fillLeast is how many patches a file must have before others are read off between them: a white,
// solids and some steps between them say nothing of what lies over each other.
const fillLeast = 30

var errFew = errors.New("too few patches")

// fill reads the colours that are still nil off a smooth function through the file's patches.
func fill(c *protocol.Chart, f *measurement.File, wanted []colour.Lab, into []*[3]float64) (int, error) {
	if f.Device == nil {
		return 0, fmt.Errorf("no device values")
	}
	if len(f.Device) < fillLeast {
		return 0, errFew
	}
	order := channelOrder(c, f)
	if order == nil {
		return 0, fmt.Errorf("other channels")
	}
	table := drift.Chart{Channels: c.Channels, Driven: c.Driven, IDs: f.ID}
	for _, row := range f.Device {
		d := make([]float64, len(order))
		for i, k := range order {
			d[i] = row[k]
		}
		table.Device = append(table.Device, d)
	}
	r, err := drift.NewResponse(&table, wanted, nil)
	if err != nil {
		return 0, err
	}
	chart := judge.Chart(c)
	n := 0
	for p, t := range chart.Tints() {
		if into[p] == nil {
			v := drift.LabOf(r.Logs(t))
			into[p] = &[3]float64{v.L, v.A, v.B}
			n++
		}
	}
	return n, nil
}

// Wanted are an aim's colours on a fabric, as far as its prints tell.
type Wanted struct {
	Lab    []colour.Lab
	Weight []float64
	// Out of the patches' aims lay beyond reach and were pulled in by Mean dE00 on average.
	Out, Of int
	Mean    float64
	Ends    *aim.Ends // for the screen
}

// sheet is a print's colours.
type sheet struct {
	lab     []colour.Lab
	missing []bool
	out     bool // doubted: it tells nothing of the fabric's ends and of what is in reach
}

// reachPrints bounds how many prints the reach is taken from: the first, and the newest.
const reachPrints = 4

// wanted works an aim out. The screen is mapped to the first print's white and to the deepest black
// of all prints; colours out of reach of all of them are pulled in. Doubted prints are left out.
func (a Aim) wanted(c *protocol.Chart, prints []sheet) (Wanted, error) {
	var at []int // numbers of the prints that count
	for i, s := range prints {
		if !s.out {
			at = append(at, i)
		}
	}
	chart := judge.Chart(c)
	var w Wanted
	switch a.Kind {
	case AimScreen:
		if len(at) == 0 {
			return w, fmt.Errorf("the screen's colours are mapped to the fabric's white and black, which a first print tells")
		}
		var ends aim.Ends
		for k, i := range at {
			s := prints[i]
			e, err := aim.EndsOf(&chart, s.lab, s.missing)
			if err != nil {
				return w, fmt.Errorf("print %d: %w", i+1, err)
			}
			if k == 0 {
				ends = e
			} else if e.Black.L < ends.Black.L {
				ends.Black = e.Black
			}
		}
		var err error
		if w.Lab, err = aim.Screen(chart.Device, ends); err != nil {
			return w, err
		}
		w.Ends = &ends
		w.Weight = make([]float64, len(w.Lab))
		for p := range w.Weight {
			w.Weight[p] = 1
		}
	default:
		var missing []bool
		w.Lab, missing = labs(a.Lab)
		w.Weight = make([]float64, len(w.Lab))
		for p, m := range missing {
			if !m {
				w.Weight[p] = 1
			}
		}
	}
	reach := aim.NewReach(&chart)
	for k, i := range at {
		if k > 0 && k < len(at)-reachPrints+1 {
			continue
		}
		s := prints[i]
		if err := reach.Add(s.lab, s.missing); err != nil {
			return w, fmt.Errorf("print %d: %w", i+1, err)
		}
	}
	var known []colour.Lab
	var wanted []int
	for p, k := range w.Weight {
		if k > 0 {
			known, wanted = append(known, w.Lab[p]), append(wanted, p)
		}
	}
	pulled := reach.Pull(known)
	for i, p := range wanted {
		w.Lab[p] = pulled.Aim[i]
	}
	w.Out, w.Of, w.Mean = pulled.Out, len(wanted), pulled.Mean
	return w, nil
}
