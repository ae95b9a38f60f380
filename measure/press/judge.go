package press

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

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
}

// Setting is one of the press.
type Setting struct {
	Celsius float64 `json:"celsius"`
	Seconds float64 `json:"seconds"`
}

// What counts as best: at most depthShare less colour than the most, and goods no further from
// their white than whiteLimit, the usual tolerance for a white.
const (
	depthShare = 0.985
	whiteLimit = 1.0
)

// Judge finds the best region from the tiles' patches, lab[n] those of tile n+1 in the order of
// its patches, white marking the bare ones. Depth and white are each taken as a quadratic surface
// over temperature and time (G. E. P. Box, K. B. Wilson, J. R. Statist. Soc. B 13, 1951), and the
// region is what they foretell to be within the limits.
func (p *Plan) Judge(lab [][]colour.Lab, white []bool) (*Verdict, error) {
	if len(lab) != len(p.Tiles) || len(p.Tiles) != Side*Side {
		return nil, fmt.Errorf("%d tiles were read of %d", len(lab), len(p.Tiles))
	}
	v := &Verdict{}
	bare := make([]colour.Lab, len(lab))
	for n, patches := range lab {
		if len(patches) != len(white) {
			return nil, fmt.Errorf("tile %d: %d patches, want %d", n+1, len(patches), len(white))
		}
		count := 0.0
		for k, c := range patches {
			if !c.IsFinite() {
				return nil, fmt.Errorf("tile %d: patch %d is no colour", n+1, k+1)
			}
			if white[k] {
				bare[n].L, bare[n].A, bare[n].B = bare[n].L+c.L, bare[n].A+c.A, bare[n].B+c.B
				count++
			}
		}
		if count == 0 || int(count) == len(white) {
			return nil, fmt.Errorf("a tile needs both bare and inked patches")
		}
		bare[n] = colour.Lab{L: bare[n].L / count, A: bare[n].A / count, B: bare[n].B / count}
		o := Outcome{Tile: p.Tiles[n]}
		for k, c := range patches {
			if !white[k] {
				o.Depth += colour.DE76(c, bare[n]) / (float64(len(white)) - count)
			}
		}
		v.Outcomes = append(v.Outcomes, o)
	}
	palest := 0
	for n := range bare {
		if bare[n].B < bare[palest].B {
			palest = n
		}
	}
	for n := range bare {
		v.Outcomes[n].White = colour.DE2000(bare[n], bare[palest])
	}
	depth, se, err := p.fit(v.Outcomes, func(o Outcome) float64 { return o.Depth })
	if err != nil {
		return nil, err
	}
	scorch, _, err := p.fit(v.Outcomes, func(o Outcome) float64 { return o.White })
	if err != nil {
		return nil, err
	}
	v.DepthSE = se
	p.region(v, depth, scorch)
	return v, nil
}

// terms of the quadratic surface at x, y in -1..1.
func terms(x, y float64) [6]float64 { return [6]float64{1, x, y, x * x, y * y, x * y} }

// fit is least squares on the nine tiles; se is the residual standard deviation, 3 degrees of
// freedom.
func (p *Plan) fit(all []Outcome, of func(Outcome) float64) (func(Setting) float64, float64, error) {
	a, b := mat.NewDense(len(all), 6, nil), mat.NewVecDense(len(all), nil)
	for i, o := range all {
		t := terms(p.unit(Setting{o.Celsius, o.Seconds}))
		a.SetRow(i, t[:])
		b.SetVec(i, of(o))
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
	for _, o := range all {
		d := of(o) - at(Setting{o.Celsius, o.Seconds})
		sum += d * d
	}
	return at, math.Sqrt(sum / float64(len(all)-6)), nil
}

func (p *Plan) unit(s Setting) (x, y float64) {
	return 2*(s.Celsius-p.Celsius.Low)/(p.Celsius.High-p.Celsius.Low) - 1, 2*(s.Seconds-p.Seconds.Low)/(p.Seconds.High-p.Seconds.Low) - 1
}

// region finds the settings within the limits, in whole degrees and seconds, and the one in their
// middle.
func (p *Plan) region(v *Verdict, depth, scorch func(Setting) float64) {
	var all []Setting
	for c := math.Ceil(p.Celsius.Low); c <= p.Celsius.High; c++ {
		for s := math.Ceil(p.Seconds.Low); s <= p.Seconds.High; s++ {
			all = append(all, Setting{c, s})
		}
	}
	least := math.Inf(1)
	for _, s := range all {
		least = min(least, scorch(s))
	}
	limit := whiteLimit
	if least > limit {
		v.Scorched, limit = true, least+0.2
	}
	most := math.Inf(-1)
	for _, s := range all {
		if scorch(s) <= limit {
			most = max(most, depth(s))
		}
	}
	var in []Setting
	var mean Setting
	for _, s := range all {
		if scorch(s) <= limit && depth(s) >= depthShare*most {
			in = append(in, s)
			mean.Celsius += s.Celsius
			mean.Seconds += s.Seconds
		}
	}
	n := float64(len(in))
	x, y := p.unit(Setting{mean.Celsius / n, mean.Seconds / n})
	near := math.Inf(1)
	v.Celsius, v.Seconds = Range{math.Inf(1), math.Inf(-1)}, Range{math.Inf(1), math.Inf(-1)}
	for _, s := range in {
		a, b := p.unit(s)
		if d := math.Hypot(a-x, b-y); d < near {
			near, v.Best = d, s
		}
		v.Celsius = Range{min(v.Celsius.Low, s.Celsius), max(v.Celsius.High, s.Celsius)}
		v.Seconds = Range{min(v.Seconds.Low, s.Seconds), max(v.Seconds.High, s.Seconds)}
	}
	v.Depth, v.White = depth(v.Best), max(0, scorch(v.Best))
	x, y = p.unit(v.Best)
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
