package banding

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A single line has no repeats to average the noise towards a normal distribution, so that one heavy-tailed
// sample (dirt, a lint, a scanner's hiccup) in one strip looks like it. What a strip's value is worth is
// therefore read from how often good readings' strips reach it: its normal score. A dropped nozzle shows
// moderately on all strips of its ink and keeps its worth; one wild value on one strip does not.

// Tail says what large values of one strip's filtered noise are worth: the normal score of a value x, in
// robust standard deviations, is tailScore (x / At)^Power above At, and in proportion below. Gaussian noise has
// At = tailScore and Power = 1.
type Tail struct {
	At    float64 `json:"at"`
	Power float64 `json:"power"`
	// Last is the largest value whose chance the good readings still tell, LastChance that two-sided chance, and Index
	// the power of 1/x with which chances fall about there (B. M. Hill, A simple general approach to inference about the
	// tail of a distribution, 1975).
	Last       float64 `json:"last,omitempty"`
	LastChance float64 `json:"last_chance,omitempty"`
	Index      float64 `json:"index,omitempty"`
}

const (
	tailChance = 0.01              // two-sided, of At
	tailScore  = 2.575829303548901 // the normal quantile of 1 - tailChance/2
	tailKeep   = 2.2               // smaller values are only counted
	tailSlack  = 0.05              // added to Power for the uncertainty of few large values
	tailFloor  = 0.2               // of Power
)

// score is the normal score of x robust standard deviations.
func (t Tail) score(x float64) float64 {
	if !(t.At > 0) || !(t.Power > 0) {
		return x
	}
	s := math.Abs(x) / t.At
	if s > 1 {
		s = math.Pow(s, t.Power)
	}
	return math.Copysign(tailScore*s, x)
}

// heavyPower is the Power below which a tail counts as heavy.
const heavyPower = 0.85

// alone is the score of a value that no other strip can confirm: where tails are heavy, nothing is taken on trust
// beyond what the good readings reached, and chances fall on by the same power.
func (t Tail) alone(x float64) float64 {
	s := t.score(x)
	a := math.Abs(x)
	if t.Power >= heavyPower || !(t.Index > 0) || a <= t.Last {
		return s
	}
	p := t.LastChance * math.Pow(a/t.Last, -t.Index)
	return math.Copysign(math.Min(math.Abs(s), -distuv.UnitNormal.Quantile(math.Max(p, 1e-300)/2)), x)
}

// tailSample gathers absolute values in robust standard deviations.
type tailSample struct {
	large []float64
	count int
}

func (s *tailSample) add(z []float64, sd float64) {
	if !(sd > 0) {
		return
	}
	for _, v := range z {
		if a := math.Abs(v) / sd; a > tailKeep {
			s.large = append(s.large, a)
		}
	}
	s.count += len(z)
}

// fit finds the tail: At from the quantile, Power from all quantiles a quarter of a decade apart that at least
// eight values pass.
func (s *tailSample) fit() Tail {
	n := float64(s.count)
	if n*tailChance < 16 || len(s.large) < int(n*tailChance) {
		return Tail{At: tailScore, Power: 1}
	}
	slices.SortFunc(s.large, func(a, b float64) int {
		if a > b {
			return -1
		} else if a < b {
			return 1
		}
		return 0
	})
	at := func(p float64) float64 { return s.large[max(0, int(n*p+0.5)-1)] }
	t := Tail{At: math.Max(tailScore, at(tailChance)/(1+tailSlack/2)), Power: 1}
	model, seen := 0.0, 0.0
	for p := tailChance * math.Pow(10, -0.25); n*p >= 8; p *= math.Pow(10, -0.25) {
		model += math.Log(distuv.UnitNormal.Quantile(1-p/2) / tailScore)
		seen += math.Log(at(p) / t.At)
		t.Last, t.LastChance = at(p), p
	}
	if k := int(n*t.LastChance*10 + 0.5); t.LastChance > 0 && k < len(s.large) {
		// Hill's estimate over the ten times as many largest values.
		sum := 0.0
		for _, v := range s.large[:k] {
			sum += math.Log(v / s.large[k])
		}
		if sum > 0 {
			t.Index = float64(k) / sum
		}
	}
	if seen > 0 {
		t.Power = math.Min(1, math.Max(tailFloor, model/seen+tailSlack))
	}
	return t
}

// worth is the share of a single statistic of the given sign that is left when what each strip shows of it at
// place p counts by its normal score: 1 for Gaussian noise, 0 where the strips as they were read show nothing of
// the sign, as beside a wild value of the other sign that was taken out in a shape not quite its own.
func (w *work) worth(l *lane, shape int, p place, sign float64) float64 {
	tails := l.prep.null.StripTail
	if shape >= len(tails) {
		return 1
	}
	plain, scored := 0.0, 0.0
	for k, i := range l.traces {
		s := w.stripLane(l, i)
		q := p
		q.mid += float64(l.offset - s.offset)
		v, n := s.sumAt(s.z[shape], q)
		if n == 0 || !(s.sd[shape] > 0) {
			continue
		}
		f := l.weight[k] * s.sd[shape]
		plain += f * v / s.sd[shape]
		if len(l.traces) == 1 {
			scored += f * tails[shape].alone(v/s.sd[shape])
		} else {
			scored += f * tails[shape].score(v/s.sd[shape])
		}
	}
	if plain*sign <= 0 {
		return 0
	}
	return scored / plain
}

// rare says that one strip's value at a single event is by itself beyond the limit, by its normal score.
func (w *work) rare(e event) bool {
	tails := e.lane.prep.null.StripTail
	for _, i := range e.lane.traces {
		s := w.stripLane(e.lane, i)
		p := e.place
		p.mid += float64(e.lane.offset - s.offset)
		v, n := s.sumAt(s.z[e.c.shape], p)
		if n == 0 || !(s.sd[e.c.shape] > 0) {
			continue
		}
		x := e.c.sign * v / s.sd[e.c.shape]
		if e.c.shape < len(tails) {
			x = tails[e.c.shape].alone(x)
		}
		if x > e.lane.prep.limits[e.fam] {
			return true
		}
	}
	return false
}

// tails fits the tails of the strips' filtered noise, all strips together, width by width, and puts what
// the largest single values of the good readings are worth in their place.
func (le *learner) tails() []Tail {
	var samples [len(bankMM)]tailSample
	shapes := 0
	for _, w := range le.works {
		w.stripZ = nil
		for _, l := range w.lanes {
			shapes = max(shapes, len(l.prep.w.shapes))
			for _, i := range l.traces {
				s := w.stripLane(l, i)
				reach := len(l.prep.w.g) - 1
				for k := range l.prep.w.shapes {
					if s.n > 2*reach {
						samples[k].add(s.z[k][padX+reach:padX+s.n-reach], s.sd[k])
					}
				}
			}
		}
	}
	out := make([]Tail, shapes)
	for k := range out {
		out[k] = samples[k].fit()
	}
	return out
}

// topSingles finds the largest single values of a lane by what they are worth.
func (w *work) topSingles(l *lane, report func(fam family, shape int, stat float64, at field)) {
	fields := shapeFields(l.prep.w, l.prep.plan, true)
	for k := range l.prep.w.shapes {
		root := math.Sqrt(l.prep.w.shapes[k].v)
		z := l.z[k][padX : padX+l.n]
		for i, sign := range []float64{1, -1} {
			top := 0.0
			for j := 1; j+1 < len(z); j++ {
				v := sign * z[j] / root
				if v <= top || v < sign*z[j-1]/root || v < sign*z[j+1]/root {
					continue
				}
				top = math.Max(top, v*w.worth(l, k, place{mid: float64(j)}, sign))
			}
			report(lineFamilies[2+i], k, top, fields[k])
		}
	}
}
