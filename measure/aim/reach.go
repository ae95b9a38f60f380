package aim

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// Reach is what an ink and a fabric can show, as far as prints of a chart tell: every colour that
// one of their tints gives, between the patches too.
type Reach struct {
	chart  *drift.Chart
	tints  [][]float64
	prints []sheet
	top    float64
}

type sheet struct {
	response *drift.Response
	labs     []colour.Lab
}

// spare is how much stronger than the prints' full tints a reach may go: other settings lay down
// more ink than wrong ones, and what they could reach is not known before they are found. Common
// practice, no source.
const spare = 0.2

// NewReach starts from no print.
func NewReach(chart *drift.Chart) *Reach {
	return &Reach{chart: chart, tints: chart.Tints(), top: 1 + spare}
}

// Add takes a print in. The more prints, the larger the reach.
func (r *Reach) Add(labs []colour.Lab, missing []bool) error {
	if len(labs) != len(r.tints) {
		return fmt.Errorf("%d colours for %d patches", len(labs), len(r.tints))
	}
	have := make([]bool, len(labs))
	for p := range have {
		have[p] = missing == nil || !missing[p]
	}
	response, err := drift.NewResponse(r.chart, labs, have)
	if err != nil {
		return err
	}
	labs = slices.Clone(labs)
	for p := range labs {
		if !have[p] {
			labs[p] = drift.LabOf(response.Logs(r.tints[p]))
		}
	}
	r.prints = append(r.prints, sheet{response, labs})
	return nil
}

// Nearest is the colour within reach that is nearest to c by CIEDE2000.
func (r *Reach) Nearest(c colour.Lab) (best colour.Lab, de float64) {
	de = math.Inf(1)
	for _, s := range r.prints {
		// The three nearest patches are where a descent begins.
		order := make([]int, 0, 4)
		dist := func(p int) float64 { return colour.DE2000(s.labs[p], c) }
		for p := range s.labs {
			i := len(order)
			for i > 0 && dist(p) < dist(order[i-1]) {
				i--
			}
			if i < 3 {
				order = slices.Insert(order, i, p)
				order = order[:min(3, len(order))]
			}
		}
		for _, p := range order {
			if d := dist(p); d < de {
				best, de = s.labs[p], d
			}
			if lab, d := s.descend(r.tints[p], c, r.top); d < de {
				best, de = lab, d
			}
			if de < within {
				return best, de
			}
		}
	}
	return best, de
}

// within is the difference below which an aim counts as reached.
const within = 0.5

// descend is a pattern search over tints.
func (s *sheet) descend(start []float64, c colour.Lab, top float64) (colour.Lab, float64) {
	t := slices.Clone(start)
	at := func() (colour.Lab, float64) {
		lab := drift.LabOf(s.response.Logs(t))
		return lab, colour.DE2000(lab, c)
	}
	lab, de := at()
	for size := 0.15; size > 0.008; size /= 2 {
		for range 6 {
			better := false
			for i := range t {
				for _, sign := range []float64{1, -1} {
					was := t[i]
					t[i] = min(top, max(0, was+sign*size))
					if t[i] == was {
						continue
					}
					if l, d := at(); d < de {
						lab, de, better = l, d, true
						break
					}
					t[i] = was
				}
			}
			if !better || de < within {
				break
			}
		}
	}
	return lab, de
}

// Pulled are aims brought within reach.
type Pulled struct {
	Aim []colour.Lab
	// Moved is by how much each aim was moved, in CIEDE2000; 0 for those within reach.
	Moved []float64
	// Out is how many were out of reach, and Mean by how much on average.
	Out  int
	Mean float64
}

// farOut is how far beyond the reach an aim must lie to count as out of it: less than the
// response's own error is nothing to speak of.
const farOut = 1.5

// Pull brings aims within reach: each that lies beyond becomes the nearest colour that can be
// printed.
func (r *Reach) Pull(aims []colour.Lab) Pulled {
	out := Pulled{Aim: slices.Clone(aims), Moved: make([]float64, len(aims))}
	if len(r.prints) == 0 {
		return out
	}
	for p, c := range aims {
		near, de := r.Nearest(c)
		if de <= farOut {
			continue
		}
		out.Aim[p], out.Moved[p] = near, de
		out.Out++
		out.Mean += de
	}
	if out.Out > 0 {
		out.Mean /= float64(out.Out)
	}
	return out
}
