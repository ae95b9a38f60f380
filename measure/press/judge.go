package press

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/aim"
	"swathkeeper/measure/colour"
)

// Outcome is how one tile came out.
type Outcome struct {
	Tile
	// Depth is how far the inked patches lie from the tile's bare goods, in Lab units, in the mean:
	// how much colour went over.
	Depth float64 `json:"depth"`
	// White is the CIEDE2000 of the tile's bare goods from the palest of all tiles: scorching.
	White float64 `json:"white_de00"`
	// Single and Heavy are how much colour single inks, and overprints of two full tints or more,
	// have, as a share of the most of any tile. Heavy below Single: dye stays in the paper where much
	// lies on a spot (too little press), or is driven off again (too much).
	Single float64 `json:"single"`
	Heavy  float64 `json:"heavy"`
	// Cast is how far the greys' mean a*, b* lie from where they are at the best setting, and Toward
	// its direction, where it is worth naming.
	Cast   float64 `json:"cast"`
	Toward string  `json:"toward,omitempty"`
	// Uneven is how far patches printed alike lie from their mean on this tile, but for the farthest
	// one: a CIEDE2000.
	Uneven float64 `json:"uneven_de00"`
}

// Verdict names the best region.
type Verdict struct {
	Outcomes []Outcome `json:"outcomes"`
	// Best settings, the middle of the region, and the region's ends.
	Best    Setting `json:"best"`
	Celsius Range   `json:"celsius"`
	Seconds Range   `json:"seconds"`
	// Depth foretold at the best, and its standard error by what the surface leaves of the tiles.
	Depth   float64 `json:"depth"`
	DepthSE float64 `json:"depth_se"`
	White   float64 `json:"white_de00"`
	// Edge names the ends of the allowed range that the region touches, such as "hottest": the
	// optimum may lie beyond.
	Edge []string `json:"edge,omitempty"`
	// Scorched says that no setting of the range leaves the goods as they were.
	Scorched bool `json:"scorched,omitempty"`
	// Heavy is the share of their most colour that heavy overprints are foretold to have at the best.
	Heavy float64 `json:"heavy"`
	// Uneven are the numbers of tiles that were pressed or read unevenly: they tell least.
	Uneven []int `json:"uneven,omitempty"`
}

// Setting is one of the press.
type Setting struct {
	Celsius float64 `json:"celsius"`
	Seconds float64 `json:"seconds"`
}

// What counts as best: at most depthShare less colour than the most, and goods no further from
// their white than whiteLimit, the usual tolerance for a white.
// Within the region greys shift by castLimit at most, since two presses set to its ends should
// give goods that can be sewn together. A tile is uneven when patches printed alike differ by
// unevenLimit and by unevenTimes what they do on the middle one of the tiles. Common practice, no
// source.
const (
	depthShare  = 0.985
	whiteLimit  = 1.0
	castLimit   = 1.0
	unevenLimit = 1.5
	unevenTimes = 2.0
)

// Judge finds the best region from the tiles' patches, lab[n] those of tile n+1 in the order of
// tints, the amounts 0..1 that each patch of a tile asks of every channel. What the tiles show is
// taken as quadratic surfaces over temperature and time (G. E. P. Box, K. B. Wilson, J. R. Statist.
// Soc. B 13, 1951), and the region is what they foretell to be within the limits.
func (p *Plan) Judge(lab [][]colour.Lab, tints [][]float64) (*Verdict, error) {
	if len(lab) != len(p.Tiles) || len(p.Tiles) != Side*Side {
		return nil, fmt.Errorf("%d tiles were read of %d", len(lab), len(p.Tiles))
	}
	f := partsOf(tints)
	if len(f.bare) == 0 || len(f.bare) == len(tints) {
		return nil, fmt.Errorf("a tile needs both bare and inked patches")
	}
	v := &Verdict{}
	bare, grey := make([]colour.Lab, len(lab)), make([]colour.Lab, len(lab))
	for n, patches := range lab {
		if len(patches) != len(tints) {
			return nil, fmt.Errorf("tile %d: %d patches, want %d", n+1, len(patches), len(tints))
		}
		for k, c := range patches {
			if !c.IsFinite() {
				return nil, fmt.Errorf("tile %d: patch %d is no colour", n+1, k+1)
			}
		}
		bare[n], grey[n] = meanOf(patches, f.bare), meanOf(patches, f.grey)
		v.Outcomes = append(v.Outcomes, Outcome{Tile: p.Tiles[n], Depth: depthOf(patches, f.inked, bare[n]),
			Single: depthOf(patches, f.single, bare[n]), Heavy: depthOf(patches, f.heavy, bare[n]), Uneven: f.uneven(patches)})
	}
	palest := 0
	for n := range bare {
		if bare[n].B < bare[palest].B {
			palest = n
		}
	}
	var single, heavy float64
	for n := range bare {
		o := &v.Outcomes[n]
		o.White = colour.DE2000(bare[n], bare[palest])
		single, heavy = max(single, o.Single), max(heavy, o.Heavy)
	}
	var all []float64
	for n := range v.Outcomes {
		o := &v.Outcomes[n]
		o.Single, o.Heavy = shareOf(o.Single, single), shareOf(o.Heavy, heavy)
		all = append(all, o.Uneven)
	}
	slices.Sort(all)
	for _, o := range v.Outcomes {
		if o.Uneven > unevenLimit && o.Uneven > unevenTimes*all[len(all)/2] {
			v.Uneven = append(v.Uneven, o.Number)
		}
	}
	var s surfaces
	for _, x := range []struct {
		into *func(Setting) float64
		of   func(n int) float64
	}{
		{&s.depth, func(n int) float64 { return v.Outcomes[n].Depth }}, {&s.white, func(n int) float64 { return v.Outcomes[n].White }},
		{&s.heavy, func(n int) float64 { return v.Outcomes[n].Heavy }},
		{&s.a, func(n int) float64 { return grey[n].A }}, {&s.b, func(n int) float64 { return grey[n].B }},
	} {
		at, se, err := p.fit(x.of)
		if err != nil {
			return nil, err
		}
		if *x.into = at; x.into == &s.depth {
			v.DepthSE = se
		}
	}
	p.region(v, &s)
	for n := range v.Outcomes {
		o := &v.Outcomes[n]
		a, b := grey[n].A-s.a(v.Best), grey[n].B-s.b(v.Best)
		if o.Cast = math.Hypot(a, b); o.Cast >= castLimit {
			o.Toward = aim.Toward(a, b)
		}
	}
	return v, nil
}

// surfaces are what is foretold of a setting.
type surfaces struct{ depth, white, heavy, a, b func(Setting) float64 }

// cast is how far greys move between two settings.
func (s *surfaces) cast(x, y Setting) float64 {
	return math.Hypot(s.a(x)-s.a(y), s.b(x)-s.b(y))
}

// terms of the quadratic surface at x, y in -1..1.
func terms(x, y float64) [6]float64 { return [6]float64{1, x, y, x * x, y * y, x * y} }

// fit is least squares on the nine tiles; se is the residual standard deviation, 3 degrees of
// freedom.
func (p *Plan) fit(of func(n int) float64) (func(Setting) float64, float64, error) {
	a, b := mat.NewDense(len(p.Tiles), 6, nil), mat.NewVecDense(len(p.Tiles), nil)
	for n, tile := range p.Tiles {
		t := terms(p.unit(Setting{tile.Celsius, tile.Seconds}))
		a.SetRow(n, t[:])
		b.SetVec(n, of(n))
	}
	var w mat.VecDense
	if err := w.SolveVec(a, b); err != nil {
		return nil, 0, fmt.Errorf("the plan's settings do not span its range: %w", err)
	}
	at := func(s Setting) (sum float64) {
		for i, t := range terms(p.unit(s)) {
			sum += t * w.AtVec(i)
		}
		return sum
	}
	sum := 0.0
	for n, tile := range p.Tiles {
		d := of(n) - at(Setting{tile.Celsius, tile.Seconds})
		sum += d * d
	}
	return at, math.Sqrt(sum / float64(len(p.Tiles)-6)), nil
}

func (p *Plan) unit(s Setting) (x, y float64) {
	return 2*(s.Celsius-p.Celsius.Low)/(p.Celsius.High-p.Celsius.Low) - 1, 2*(s.Seconds-p.Seconds.Low)/(p.Seconds.High-p.Seconds.Low) - 1
}

// region finds the settings within the limits, in whole degrees and seconds, and the one in their
// middle.
func (p *Plan) region(v *Verdict, s *surfaces) {
	var all []Setting
	for c := math.Ceil(p.Celsius.Low); c <= p.Celsius.High; c++ {
		for t := math.Ceil(p.Seconds.Low); t <= p.Seconds.High; t++ {
			all = append(all, Setting{c, t})
		}
	}
	least := math.Inf(1)
	for _, x := range all {
		least = min(least, s.white(x))
	}
	limit := whiteLimit
	if least > limit {
		v.Scorched, limit = true, least+0.2
	}
	most := math.Inf(-1)
	for _, x := range all {
		if s.white(x) <= limit {
			most = max(most, s.depth(x))
		}
	}
	var in []Setting
	for _, x := range all {
		if s.white(x) <= limit && s.depth(x) >= depthShare*most {
			in = append(in, x)
		}
	}
	v.Best = p.middle(in)
	in = slices.DeleteFunc(in, func(x Setting) bool { return s.cast(x, v.Best) > castLimit })
	v.Celsius, v.Seconds = Range{math.Inf(1), math.Inf(-1)}, Range{math.Inf(1), math.Inf(-1)}
	for _, x := range in {
		v.Celsius = Range{min(v.Celsius.Low, x.Celsius), max(v.Celsius.High, x.Celsius)}
		v.Seconds = Range{min(v.Seconds.Low, x.Seconds), max(v.Seconds.High, x.Seconds)}
	}
	v.Depth, v.White = s.depth(v.Best), max(0, s.white(v.Best))
	v.Heavy = min(1, max(0, s.heavy(v.Best)))
	x, y := p.unit(v.Best)
	for _, e := range []struct {
		at   bool
		name string
	}{{x > 0.6 && v.Celsius.High >= math.Floor(p.Celsius.High), "hottest"}, {x < -0.6 && v.Celsius.Low <= math.Ceil(p.Celsius.Low), "coolest"},
		{y > 0.6 && v.Seconds.High >= math.Floor(p.Seconds.High), "longest"}, {y < -0.6 && v.Seconds.Low <= math.Ceil(p.Seconds.Low), "shortest"}} {
		if e.at {
			v.Edge = append(v.Edge, e.name)
		}
	}
}

// middle is the setting nearest to the mean of all.
func (p *Plan) middle(all []Setting) (best Setting) {
	var mean Setting
	for _, s := range all {
		mean.Celsius += s.Celsius / float64(len(all))
		mean.Seconds += s.Seconds / float64(len(all))
	}
	x, y := p.unit(mean)
	near := math.Inf(1)
	for _, s := range all {
		a, b := p.unit(s)
		if d := math.Hypot(a-x, b-y); d < near {
			near, best = d, s
		}
	}
	return best
}
