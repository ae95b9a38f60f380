package settings

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

func labOf(z [3]float64) colour.Lab { return drift.LabOf(z) }

// Why the next print is asked for.
const (
	WhyBetter = "better" // it is expected to be nearer to the aim
	WhyRepeat = "repeat" // a print is doubted: make it once more
	WhyDone   = "done"   // nothing is left that these sliders can mend
)

// Advice is what all prints so far lead to.
type Advice struct {
	// Measured is each print's mean CIEDE2000 from the aim.
	Measured []float64 `json:"measured_de00"`
	// Best is the print to keep, counted from 0: the nearest to the aim of those not doubted.
	Best int `json:"best_index"`
	// BestDE is what its settings are expected to measure, as all prints together tell.
	BestDE float64 `json:"best_de00"`
	// Next are the settings to try; the best's when Why is WhyDone.
	Next []float64 `json:"next"`
	// NextDE is the mean CIEDE2000 to expect there, and NextSE its standard error.
	NextDE float64 `json:"next_de00"`
	NextSE float64 `json:"next_de00_se"`
	// Chance is how likely the next measures nearer to the aim than the best did, 0..1.
	Chance float64 `json:"chance"`
	// Left is how much nearer to the aim than the best print the sliders could bring the chart if
	// everything were known about them, as is believed now: a mean dE00.
	Left float64 `json:"left_de00"`
	Why  string  `json:"why"`
	// Probed are sliders that are moved to learn which way they work.
	Probed []string `json:"probed,omitempty"`
	// Suspect are prints, counted from 0, that do not fit the others; they count for little.
	Suspect []int `json:"suspect_index,omitempty"`
	// Idle are sliders that do hardly anything, less than IdleDE over their whole range; Alike are pairs that do the same.
	Idle []string `json:"idle,omitempty"`
	// Weak are sliders that may do hardly anything, which these prints cannot tell for sure: one more
	// print with such a slider alone moved from the best would.
	Weak  []string    `json:"weak,omitempty"`
	Alike [][2]string `json:"alike,omitempty"`
}

// Advise looks at all prints and says what to try next. The error says what is wrong with the
// task or with a print.
func Advise(task Task, prints []Print) (*Advice, error) {
	task.Options = task.withDefaults()
	if err := task.check(prints); err != nil {
		return nil, err
	}
	task.views = map[int]*view{}
	a := &Advice{}
	lacking := task.lacking(prints)
	for _, pr := range prints {
		missing := lacking
		if missing == nil {
			missing = pr.Missing
		}
		a.Measured = append(a.Measured, task.Difference(pr.Lab, missing))
	}
	weight := make([]float64, len(prints))
	for j := range weight {
		weight[j] = 1
	}
	s, err := task.scene(prints, a.nearest(weight), weight)
	if err != nil {
		return nil, err
	}
	for 3*len(a.Suspect) < len(prints)-1 {
		j, err := a.doubted(s, prints, weight)
		if err != nil {
			return nil, err
		}
		if j < 0 {
			break
		}
		a.Suspect = append(a.Suspect, j)
		weight[j] = suspectWeight
		if s, err = task.scene(prints, a.nearest(weight), weight); err != nil {
			return nil, err
		}
	}
	slices.Sort(a.Suspect)
	if err := s.sameness(prints, a); err != nil {
		return nil, err
	}
	a.Best, a.BestDE = s.nearest(prints, a.Measured, weight)
	a.next(s, prints)
	return a, nil
}

// suspectWeight is how much a doubted print counts.
const suspectWeight = 0.02

// nearest is the print of full weight that measured nearest to the aim.
func (a *Advice) nearest(weight []float64) int {
	best := -1
	for j, d := range a.Measured {
		if weight[j] == 1 && (best < 0 || d < a.Measured[best]) {
			best = j
		}
	}
	return max(best, 0)
}

// nearest is the print to keep. Of those that measured alike, but for the noise of a print, it is the
// one whose settings all prints together foretell to be nearer: half by its own measurement.
func (s *scene) nearest(prints []Print, measured, weight []float64) (best int, top float64) {
	best, top = s.at, math.Inf(1)
	for j, d := range measured {
		if weight[j] < 1 || d > measured[s.at]+alikeNoise*s.PrintPercent {
			continue
		}
		u := s.moves(prints[j].Values)
		s.prepare(u, s.subset)
		if d = (d + s.difference(s.belief.mean, u, s.subset)) / 2; d < top {
			best, top = j, d
		}
	}
	return best, top
}

// alikeNoise is how far two mean differences may lie apart by the noise of their prints, for each
// percent of strength that differs from print to print.
const alikeNoise = 0.2

// moves are settings as moves from the origin.
func (s *scene) moves(values []float64) []float64 {
	u := make([]float64, len(values))
	for i, sl := range s.Sliders {
		u[i] = sl.unit(values[i]) - s.origin[i]
	}
	return u
}

// next decides on the next print.
func (a *Advice) next(s *scene, prints []Print) {
	n := len(s.Sliders)
	start := make([]float64, n)
	zero := s.moves(prints[a.Best].Values)
	fixed := s.probe(prints, start)
	for i, f := range fixed {
		if f && start[i] != 0 {
			a.Probed = append(a.Probed, s.Sliders[i].Name)
		}
	}
	all := make([]int, len(s.Chart.IDs))
	for p := range all {
		all[p] = p
	}
	// The newest print, when it is doubted and nobody has repeated it, comes first: it may be the one
	// that knows. An older one is not worth a print: the search has moved on.
	for _, j := range a.Suspect {
		if j != len(prints)-1 || repeated(prints, j) {
			continue
		}
		a.Why, a.Next, a.Probed = WhyRepeat, slices.Clone(prints[j].Values), nil
		a.foretell(s, prints, s.moves(prints[j].Values), all, false)
		return
	}
	s.caution = cautionLater
	if len(prints) == 1 {
		s.caution = cautionFirst
	}
	s.taken = nil
	for _, pr := range prints {
		s.taken = append(s.taken, pr.Values)
	}
	starts, supposed := [][]float64{start}, false
	if 2*len(prints) < n {
		if there, err := s.supposeAim(start, a.Measured[a.Best]); err == nil {
			for i, f := range fixed {
				if f {
					there[i] = start[i]
				}
			}
			starts = append(starts, there)
		}
	}
	u, _ := s.seek(starts, fixed)
	a.foretell(s, prints, u, all, supposed)
	a.Next = make([]float64, n)
	for i, sl := range s.Sliders {
		a.Next[i] = sl.Nearest(sl.value(s.origin[i] + u[i]))
	}
	a.Why = WhyBetter
	s.prepare(zero, s.subset)
	gain := s.difference(s.belief.mean, zero, s.subset)
	s.prepare(u, s.subset)
	gain -= s.difference(s.belief.mean, u, s.subset)
	a.Left = s.left(zero, u)
	worth := s.Worth
	if worth == 0 {
		worth = min(worthMost, max(worthLeast, worthShare*a.Measured[a.Best]))
		if len(prints) <= n {
			worth = min(worthMost, max(worthEarly, worthEarly*a.Measured[a.Best]))
		}
		if len(prints)-1-a.Best >= stale {
			worth = worthMost
		}
	}
	if s.printed(u) || len(prints) > 1 && len(a.Probed) == 0 && gain < worth && a.Left < worth && !a.gaining() {
		a.Why, a.Next = WhyDone, slices.Clone(prints[a.Best].Values)
		a.foretell(s, prints, zero, all, false)
		a.NextDE, a.Chance = a.BestDE, 0
	}
}

// How much of the belief's doubt the search minds: fully before anything is learned, when a bold
// step overshoots, and little later, when what a step teaches is worth its risk. Found on
// made-up printers (cmd/trials settings).
const (
	cautionFirst = 1.0
	cautionLater = 0.1
)

// gaining tells whether the newest print is much nearer than all before it: then the belief has just
// learned something, and what it says is left is not to be trusted yet; least so while there are no
// more prints than sliders.
func (a *Advice) gaining() bool {
	last, limit := len(a.Measured)-1, muchNearer
	if len(a.Measured) <= len(a.Next) {
		limit = muchNearerEarly
	}
	return a.Best == last && last > 0 && slices.Min(a.Measured[:last])-a.Measured[last] > limit
}

// muchNearer is a gain in mean dE00 after which no search ends, muchNearerEarly that while there are
// no more prints than sliders.
const (
	muchNearer      = 0.8
	muchNearerEarly = 0.3
)

// What a print is worth where nobody says otherwise: a share of what the best one leaves, but no
// less than can be told from the noise of prints, and no more than anybody would forgo. While there
// are no more prints than sliders a print teaches more than it gains: share and least are then
// worthEarly.
const (
	worthEarly = 0.06
	worthLeast = 0.08
	worthShare = 0.09
	worthMost  = 0.12
	stale      = 2 // prints since the best, after which the most is asked of one more
)

// left is what a search could gain if the belief's samples were the truth, each with its own best
// settings, in the mean.
func (s *scene) left(zero, u []float64) float64 {
	keep := s.belief.mean
	defer func() { s.belief.mean = keep }()
	sum := 0.0
	for d := range leftDraws {
		s.belief.mean = s.belief.samples[d]
		v := s.settle(s.descend(u, nil))
		s.prepare(zero, s.subset)
		gain := s.difference(s.belief.mean, zero, s.subset)
		s.prepare(v, s.subset)
		gain -= s.difference(s.belief.mean, v, s.subset)
		sum += math.Max(0, gain) / leftDraws
	}
	return sum
}

// leftDraws is over how many samples.
const leftDraws = 4

// What is foretold of a print. The belief's samples differ from each other mostly in ways that take
// the chart away from the aim, while a search goes towards it: only doubtShare of what their doubt
// adds to the mean's difference comes true, unless the aim itself is part of the belief. Beside what
// the samples tell, a foretold difference is off by shareOff of the gain that it promises, more
// while the aim is only supposed. Found on made-up printers (cmd/trials settings), and corrected by
// what came of the search's own foretellings, against which the rule counts as priorForetellings.
const (
	doubtShare        = 0.4
	shareOff          = 0.4
	shareOffSupposed  = 0.6
	priorForetellings = 4.0
)

// foretell fills in what to expect at moves u.
func (a *Advice) foretell(s *scene, prints []Print, u []float64, patches []int, supposed bool) {
	var to [draws]float64
	a.NextDE = s.expect(u, patches, &to)
	off := shareOffSupposed
	if !supposed {
		m := s.difference(s.belief.mean, u, patches)
		a.NextDE = m + doubtShare*(a.NextDE-m)
		off = shareOff
	}
	sum, n := priorForetellings, priorForetellings
	for j, pr := range prints {
		if pr.ForetoldSE > 0 {
			z := (a.Measured[j] - pr.Foretold) / pr.ForetoldSE
			sum += min(z*z, mostOff)
			n++
		}
	}
	a.NextSE = math.Sqrt(sum/n) * math.Hypot(math.Hypot(deviation(to), s.noise()), off*(a.BestDE-a.NextDE))
	a.Chance = 0.5 * math.Erfc((a.NextDE-a.Measured[a.Best])/a.NextSE/math.Sqrt2)
}

// mostOff bounds what one foretelling counts, in squared standard errors: a failed print is no
// measure of the rule.
const mostOff = 9.0

// noise is that of a mean difference from print to print, roughly.
func (s *scene) noise() float64 { return 0.1 * s.PrintPercent }

// repeated tells whether another print was made under the settings of print j.
func repeated(prints []Print, j int) bool {
	for k, pr := range prints {
		if k != j && slices.Equal(pr.Values, prints[j].Values) {
			return true
		}
	}
	return false
}

func deviation(x [draws]float64) float64 {
	mean, sum := 0.0, 0.0
	for _, v := range x {
		mean += v / draws
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt(sum / (draws - 1))
}

// view is all prints as they are seen from one of them. It hangs on no weights, and is made once for
// all the scenes that are looked at from there.
type view struct {
	pic          *picture
	shown        []shown // of each print; empty for the view's own
	print, ridge []float64
}

// shown is what a print shows from another: see picture.show.
type shown struct {
	c    []float64
	info *mat.SymDense
	rest [][3]float64
	left float64
}

// view makes the view from print origin, or finds it.
func (t *Task) view(prints []Print, origin int) (*view, error) {
	if v := t.views[origin]; v != nil {
		return v, nil
	}
	o := prints[origin]
	var have []bool
	if o.Missing != nil {
		have = make([]bool, len(o.Missing))
		for p, m := range o.Missing {
			have[p] = !m
		}
	}
	r, err := drift.NewResponse(&t.Chart, o.Lab, have)
	if err != nil {
		return nil, err
	}
	labs := slices.Clone(o.Lab)
	tints := t.Chart.Tints()
	for p := range labs {
		if have != nil && !have[p] {
			labs[p] = drift.LabOf(r.Logs(tints[p]))
		}
	}
	pic := newPicture(&t.Chart, labs, r)
	k := pic.size()
	v := &view{pic: pic, shown: make([]shown, len(prints)), print: make([]float64, k), ridge: make([]float64, k)}
	for c := range pic.channels {
		for x := range pic.each() {
			sd := t.PrintPercent / 100
			if x != shapeStrength {
				sd /= 3
			}
			v.print[c*pic.each()+x] = sd
			v.ridge[c*pic.each()+x] = 0.25 * t.PatchNoise * t.PatchNoise / (0.3 * 0.3)
		}
	}
	for j, pr := range prints {
		if j != origin {
			w := &v.shown[j]
			w.c, w.info, w.rest = pic.show(pr, v.ridge)
			w.left = pic.left(w.rest)
		}
	}
	if t.views != nil {
		t.views[origin] = v
	}
	return v, nil
}

// scene learns from all prints around print origin.
func (t *Task) scene(prints []Print, origin int, weight []float64) (*scene, error) {
	v, err := t.view(prints, origin)
	if err != nil {
		return nil, err
	}
	pic, k := v.pic, v.pic.size()
	b := newBelief(rolesOf(&t.Chart), t.Sliders, v.print)
	s := &scene{Task: t, at: origin, pic: pic, belief: b, c: make([]float64, k), base: make([][3]float64, len(pic.lab))}
	s.origin = make([]float64, len(t.Sliders))
	for i, sl := range t.Sliders {
		s.origin[i] = sl.unit(prints[origin].Values[i])
	}
	var list []seen
	at := [][]float64{make([]float64, len(t.Sliders))}
	rest := [][][3]float64{make([][3]float64, len(pic.lab))}
	restWeight := []float64{weight[origin]}
	for j, pr := range prints {
		if j == origin {
			continue
		}
		u, w := s.moves(pr.Values), &v.shown[j]
		list = append(list, seen{print: j, u: u, c: w.c, noise: t.noiseOf(w.c, w.info, v.ridge, v.print, weight[j]), left: w.left})
		at, rest = append(at, u), append(rest, w.rest)
		restWeight = append(restWeight, weight[j])
	}
	if err := b.learn(list, rand.New(rand.NewPCG(t.Seed, 0x73657474696e6773))); err != nil {
		return nil, err
	}
	s.rest = newLeftover(at, rest, restWeight)
	s.subset = t.some(len(pic.lab))
	s.list, s.print, s.ridge = list, v.print, v.ridge
	return s, nil
}

// noiseOf is the covariance of a print's change of tints: the reading's noise, the print's, and
// the picture's own error, which grows with the change.
func (t *Task) noiseOf(c []float64, info *mat.SymDense, ridge, print []float64, weight float64) *mat.SymDense {
	k := len(c)
	h := mat.NewSymDense(k, nil)
	v := t.PatchNoise * t.PatchNoise
	for x := range k {
		for y := x; y < k; y++ {
			h.SetSym(x, y, info.At(x, y)/v)
		}
		h.SetSym(x, x, h.At(x, x)+ridge[x]/v)
	}
	var chol mat.Cholesky
	out := mat.NewSymDense(k, nil)
	if chol.Factorize(h) {
		_ = chol.InverseTo(out)
	}
	size := 0.0
	for _, x := range c {
		size += x * x
	}
	size /= float64(k)
	for x := range k {
		out.SetSym(x, x, out.At(x, x)+print[x]*print[x]+pictureError*pictureError*size)
	}
	if weight < 1 {
		out.ScaleSym(1/weight, out)
	}
	return out
}

// pictureError is the error of a change of tints as read off the picture of another print, as a
// share of the change.
const pictureError = 0.05

// some picks the patches that the optimiser looks at: at most optimiserPatches, evenly spread.
func (t *Task) some(n int) []int {
	var known []int
	for p := range n {
		if t.weight(p) > 0 {
			known = append(known, p)
		}
	}
	if len(known) <= optimiserPatches {
		return known
	}
	out := make([]int, optimiserPatches)
	for i := range out {
		out[i] = known[i*len(known)/optimiserPatches]
	}
	return out
}

const optimiserPatches = 160

// probeMove is how far a slider of which not even the direction is known is moved to find out, in
// half-ranges.
const probeMove = 0.3

// probesAtOnce is how many are moved by one print: what more do together cannot be told apart. And
// probesLate is for how many prints more they are asked to be moved where nobody moves them.
const (
	probesAtOnce = 2
	probesLate   = 2
)

// probe sets the moves of sliders that no print has moved yet and whose promise has no direction:
// the belief alone would never touch them. It reports which are set, or stay until their turn comes.
func (s *scene) probe(prints []Print, u []float64) []bool {
	fixed := make([]bool, len(s.Sliders))
	var unmoved []int
	unknown := 0
	for i, sl := range s.Sliders {
		low, high := math.Inf(1), math.Inf(-1)
		for _, pr := range prints {
			x := sl.unit(pr.Values[i])
			low, high = min(low, x), max(high, x)
		}
		if sl.Kind != Gamma && sl.Kind != Tint && sl.Kind != Depth && sl.Kind != Other {
			continue
		}
		if unknown++; high-low <= probeMove/2 {
			unmoved = append(unmoved, i)
		}
	}
	if len(prints) > (unknown+probesAtOnce-1)/probesAtOnce+probesLate {
		return fixed
	}
	for k, i := range unmoved {
		if fixed[i] = true; k >= probesAtOnce {
			continue // it stays until its turn comes
		}
		// A coarse slider is moved by a whole step.
		u[i] = max(probeMove, s.step(i))
		if s.origin[i] > 0 {
			u[i] = -u[i]
		}
	}
	return fixed
}
