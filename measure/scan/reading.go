package scan

import (
	"errors"
	"fmt"
	"math"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
)

// ErrNoChart is in the chain of errors that say the picture is good but no chart can be read
// from it.
var ErrNoChart = errors.New("no chart to read in the picture")

// A Reading is what a picture says about a printed chart. Positions are those of the layout.
type Reading struct {
	// Picture is what the file is; without its pixels.
	Picture Picture
	// Tag is what the square code says; zero when it could not be read.
	Tag    chart.Tag
	Layout *chart.Layout
	// Mirrored says that the picture shows the sheet mirrored against how it left the printer,
	// as goods after a transfer do.
	Mirrored bool
	// Stage is "transfer" or "pressed" where a mirrored chart's handedness tells it, else "".
	Stage string
	// Quarters and Degrees are the sheet's turn in the picture, clockwise.
	Quarters int
	Degrees  float64
	// Stretch is the size of the goods across and along the feed over the layout's, less 1, in
	// percent; 0 when the picture's resolution is unknown.
	Stretch [2]float64
	// Shear is by how much the sheet's axes are out of square, in degrees.
	Shear float64
	// WarpMM is the root mean square of the marks' distance from an even stretch; PlaceMM the
	// median error of a mark's place as foretold by the others, which bounds how well places
	// between marks are known.
	WarpMM, PlaceMM float64
	Marks           int // used
	MissingMarks    int
	DPI             float64 // mean, by the marks where the file does not say
	Encoding        string  // how samples became colours
	Patches         []PatchValue
	Traces          []Trace
	Warnings        []string
}

// A PatchValue is the colour of one patch.
type PatchValue struct {
	ID string
	// RGB is the mean linear light, 0..1, relative to the scanner's white.
	RGB [3]float64
	// Lab is L*a*b* under D50 by the picture's encoding: good for differences between scans of
	// one scanner, not for absolute colours. Zero for a grey picture.
	Lab colour.Lab
	// Density is -log10 of RGB: optical density in the scanner's red, green and blue.
	Density [3]float64
	// Spread is the standard deviation of the light over cells of about 0.8 mm, relative to the
	// mean: texture and mottle.
	Spread float64
	// Clipped is the share of pixels at the end of the scale, Dusty that of cells far from the
	// rest, which do not count in the mean. Both 0..1.
	Clipped, Dusty float64
}

// A Trace is the optical density along one strip, in the filter complementary to its channel,
// paper included, averaged across the strip along the print's own axis.
type Trace struct {
	Strip, Channel string
	Tint           float64 // percent
	StartMM        float64 // feed position of the centre of the first sample
	PitchUM        float64
	Filter         string // "red", "green", "blue" or "grey"
	Values         []float64
	Dusty          float64 // share of samples where a part of the width was left out
}

// Options of a reading. The zero value means the defaults.
type Options struct {
	// PitchUM is the distance of trace samples; default 84.667 (300 to the inch), or the
	// picture's own where that is coarser. Never finer than the picture's.
	PitchUM float64
}

// minDPI is the coarsest picture that a chart is read from: below it a mark is a few pixels.
const minDPI = 75.0

// Read finds a chart in the picture and reads it. The layout comes from find, which is given
// what the square code says, or the zero Tag when there is none that can be read (then find may
// return the layout the user named, or an error, which Read returns wrapped). Errors wrap
// [ErrNoChart]; what is doubtful but readable is in the reading's warnings.
func Read(p *Picture, find func(chart.Tag) (*chart.Layout, error), opt Options) (*Reading, error) {
	dpi := (p.DPI[0] + p.DPI[1]) / 2
	if p.DPI[0] == 0 || p.DPI[1] == 0 || math.Abs(p.DPI[0]-p.DPI[1]) > 0.2*dpi || dpi < placeholderDPI {
		dpi = 0
	}
	unknown := false // find knows no layout for what the code says
	r, err := read(p, func(t chart.Tag) (*chart.Layout, error) {
		l, err := find(t)
		unknown = err != nil && t != chart.Tag{}
		return l, err
	}, opt, dpi)
	if err == nil || dpi == 0 || unknown {
		return r, err
	}
	// Marks are looked for in the size that the file's resolution gives them. Is that the fault?
	if by, e := read(p, find, opt, 0); e == nil && math.Abs(by.DPI/dpi-1) > 0.1 {
		return nil, fmt.Errorf("%w: the file says %.0f dpi, but by its marks chart %s was scanned at about %.0f: save the scan with its own resolution, or print the chart at 100 %%", ErrNoChart, dpi, by.Layout.ID, by.DPI)
	}
	return r, err
}

// placeholderDPI is above what programs write that know no resolution, 72 or 96 (common practice, no
// source). A chart that is scanned so coarsely is read by its marks alone.
const placeholderDPI = 97

// read is Read with the picture's resolution, 0 if unknown.
func read(p *Picture, find func(chart.Tag) (*chart.Layout, error), opt Options, dpi float64) (*Reading, error) {
	o := p.overview(dpi)
	if int(o.white)-int(o.black) < 40 {
		return nil, fmt.Errorf("%w: it has hardly any contrast", ErrNoChart)
	}
	r := &Reading{Picture: *p}
	r.Picture.Pix = nil
	if p.Pages > 1 {
		r.warn("the file holds %d pictures; only the first is read", p.Pages)
	}
	c, codeErr := p.findCode(o, dpi)
	if c != nil {
		r.Tag = c.tag
	}
	l, err := find(r.Tag)
	if err != nil {
		if codeErr != nil {
			return nil, fmt.Errorf("%w: its square code cannot be read, and %w", ErrNoChart, err)
		}
		return nil, fmt.Errorf("%w: %w", ErrNoChart, err)
	}
	if err := l.Validate(); err != nil {
		return nil, fmt.Errorf("%w: layout %s: %w", ErrNoChart, l.ID, err)
	}
	if !l.HasGeometry() {
		return nil, fmt.Errorf("%w: the layout of chart %s says no places, so a scan of it cannot be read", ErrNoChart, l.ID)
	}
	r.Layout = l
	if c != nil && (c.tag.Chart != l.ID || c.tag.Edition != l.Edition) {
		return nil, fmt.Errorf("%w: the square code says chart %s, edition %s, but the layout is %s, %s", ErrNoChart, c.tag.Chart, c.tag.Edition, l.ID, l.Edition)
	}
	if c == nil && l.Code != nil {
		r.warn("the square code could not be read; chart and print number are not confirmed")
	}
	reg, err := o.fit(l, o.spots(dpi), c, dpi)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoChart, err)
	}
	w, err := r.place(p, l, reg, dpi)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoChart, err)
	}
	if n := outside(l, w.apply, p.W, p.H); n > 0 && p.Channels == 3 {
		return nil, fmt.Errorf("%w: %w", ErrNoChart, notWhole(l, n))
	}
	e, err := EncodingOf(p)
	if err != nil {
		r.warn("%v; sRGB is assumed", err)
	}
	r.Encoding = e.Name
	newReducer(p, l, w, e, opt).run(r)
	return r, nil
}

func (r *Reading) warn(format string, args ...any) {
	r.Warnings = append(r.Warnings, fmt.Sprintf(format, args...))
}

// place pins the marks down at full resolution and fits the warp.
func (r *Reading) place(p *Picture, l *chart.Layout, reg *registration, dpi float64) (*warp, error) {
	perMM := reg.affine.scale()
	at := map[point]point{}
	for _, m := range reg.matches {
		at[m.mark] = m.place
	}
	marks := markPoints(l)
	found := make([]*match, len(marks))
	inParallel(len(marks), func(i int) {
		m := marks[i]
		guess, ok := at[m]
		if !ok { // not seen in the overview, but it may be there
			guess = reg.affine.apply(m)
		}
		if c, ok := p.pinpoint(guess, perMM); ok && dist(c, guess) < 1.5*perMM {
			found[i] = &match{m, c}
		}
	})
	var ms []match
	for _, m := range found {
		if m != nil {
			ms = append(ms, *m)
		}
	}
	need := max(4, (len(l.Marks)+1)/2)
	if len(ms) < need {
		return nil, fmt.Errorf("only %d of the %d marks of chart %s are clear enough to measure by (%d are needed); scan at 300 dpi, flat, with the whole chart in the picture",
			len(ms), len(l.Marks), l.ID, need)
	}
	w, ok := sift(ms)
	if !ok {
		return nil, fmt.Errorf("the marks of chart %s that are left lie on one line", l.ID)
	}
	r.Marks, r.MissingMarks = len(w.knots), len(l.Marks)-len(w.knots)
	if r.MissingMarks > 0 {
		r.warn("%d of %d marks are missing, dirty or out of place", r.MissingMarks, len(l.Marks))
	}
	r.describe(p, l, w, dpi)
	return w, r.checkPlace(l, w)
}

// describe fills in how the sheet lies.
func (r *Reading) describe(p *Picture, l *chart.Layout, w *warp, dpi float64) {
	t := w.t
	r.Mirrored = (t.det() < 0) != p.Flipped
	r.Quarters, r.Degrees = turn(t.angle())
	x, y, shear := t.axes()
	r.Shear, r.WarpMM, r.PlaceMM, r.DPI = shear, w.off, w.fit, t.scale()*25.4
	if dpi > 0 {
		// The picture's rows may have another resolution than its columns.
		dx, dy := p.DPI[0], p.DPI[1]
		if r.Quarters%2 == 1 {
			dx, dy = dy, dx
		}
		r.Stretch = [2]float64{(x*25.4/dx - 1) * 100, (y*25.4/dy - 1) * 100}
		r.DPI = dpi
	}
	switch {
	case l.Mirrored && r.Mirrored:
		r.Stage = "pressed"
	case l.Mirrored:
		r.Stage = "transfer"
	case r.Mirrored:
		r.warn("the picture shows the chart mirrored, though it was not printed so; does the scanner's program mirror it?")
	}
}

// checkPlace refuses what is no flat print of the chart, and warns of what is odd.
func (r *Reading) checkPlace(l *chart.Layout, w *warp) error {
	if w.t.scale()*25.4 < minDPI {
		return fmt.Errorf("the picture has about %.0f dpi; scan at 300 dpi or more", w.t.scale()*25.4)
	}
	for i, s := range r.Stretch {
		axis := [2]string{"across", "along the feed"}[i]
		switch {
		case math.Abs(s) > 10:
			return fmt.Errorf("chart %s is %.1f %% off its size %s; it was printed scaled, or the picture's resolution is wrong: print at 100 %%", l.ID, s, axis)
		case math.Abs(s) > 3.5:
			r.warn("the chart is %.1f %% off its size %s; nozzle and step positions may be off", s, axis)
		}
	}
	if math.Abs(r.Shear) > 3 {
		r.warn("the chart is %.1f degrees out of square", r.Shear)
	}
	if w.t.scale()*25.4 < 140 {
		r.warn("the picture has only about %.0f dpi; lines of single nozzles will not show", w.t.scale()*25.4)
	}
	if w.fit > 0.25 {
		r.warn("the goods are stretched so unevenly that places are known to %.2f mm only", w.fit)
	}
	return nil
}
