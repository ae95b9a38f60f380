package banding

import (
	"fmt"
	"math"
	"sync"
)

// family is a kind of search with its own limit.
type family int

const (
	famLight       family = iota // repeating light line
	famDark                      // repeating dark line
	famPair                      // repeating light and dark pair
	famSection                   // broad step in the folded profile
	famSingleLight               // one light line anywhere
	famSingleDark
	families
)

// shares splits the chance of a false alarm of a reading; the rest goes to the feed search over all inks.
// Dropouts are what the machine suffers from, so that they get the most.
var shares = [families]float64{0.64, 0.04, 0.04, 0.06, 0.10, 0.03}

// shapeShares splits a line search's chance over the widths of the bank, narrow to wide. A narrow
// template has many more places to go wrong in, and a narrow line (on the transfer paper) is several
// times as deep as the same line spread by a knit, so that it needs the least help.
var shapeShares = [len(bankMM)]float64{0.10, 0.40, 0.50}

const (
	shareFeed = 0.09
	// foldMargin raises the limits of what repeats: a texture whose courses nearly come even with the step leaves
	// rare loud folds that ten readings cannot foretell. Of 30,000 simulated good readings 36 alarmed without it
	// (1 in 830), 21 with it; on noise without texture it costs 2.4 % of the contrast.
	foldMargin = 1.03
	// singleMargin raises the limit of single lines: without repeats nothing averages the noise towards a
	// normal distribution, and a textured fabric has rare coarse threads.
	singleMargin = 1.05
	// onReach is how far the period may lie from the nominal step; feedReach how far when a feed error
	// moves it.
	onReach   = 0.01
	feedReach = 0.025
	arMM      = 3.0 // length of the whitening filter; 2.5 to 4 mm differ by less than half a percent in what is found
)

func arOrder(pitchMM float64) int {
	return min(max(8, int(math.Round(arMM/pitchMM))), padX-24)
}

// plan is the searching geometry for one trace length.
type plan struct {
	n      int
	folds  []*foldPlan
	tables [][]float64 // per fold: 1/sqrt(rows that reach a phase), trial by trial
}

// prepared is one channel's filters and limits for one plan.
type prepared struct {
	w      *whitening
	plan   *plan
	fields [families]field
	limits [families]float64
	// adjust puts the statistics of each width on the scale of its family's limit.
	adjust [families][len(bankMM)]float64
	null   Null
}

// Detector judges readings. It is safe for concurrent use; every call borrows a set of buffers.
type Detector struct {
	geom  Geometry
	opt   Options
	base  *Baseline
	order []string

	mu    sync.Mutex
	plans map[planKey]*plan
	preps map[prepKey]*prepared
	pool  sync.Pool
}

type planKey struct {
	n     int
	pitch float64
	feed  bool
}

type prepKey struct {
	planKey
	channel string
}

// WithinReading makes a detector that needs no baseline: noise and limits come from the reading
// itself. It finds clear lines, and says in every result that it had nothing to compare with.
func WithinReading(geom Geometry, opt Options) (*Detector, error) {
	if err := geom.check(); err != nil {
		return nil, err
	}
	d := &Detector{geom: geom, opt: opt.withDefaults(), order: geom.Channels}
	d.init()
	return d, nil
}

// Prepare makes a detector from a baseline. It fails when the baseline is of another version or damaged.
func (b *Baseline) Prepare() (*Detector, error) {
	if b == nil {
		return nil, fmt.Errorf("banding: no baseline; use WithinReading to judge without one")
	}
	if b.Version != baselineVersion {
		return nil, fmt.Errorf("banding: baseline of version %d, this program reads version %d: learn it again", b.Version, baselineVersion)
	}
	if err := b.Geometry.check(); err != nil {
		return nil, err
	}
	if !(b.PitchUM > 0) {
		return nil, fmt.Errorf("banding: baseline without a sampling pitch: learn it again")
	}
	all := b.Channels
	if b.All != nil {
		all = append(all[:len(all):len(all)], *b.All)
	}
	for _, c := range all {
		if err := c.Spectrum.check(); err != nil {
			return nil, fmt.Errorf("banding: baseline, channel %q: %w", c.Channel, err)
		}
		for _, n := range []*Null{&c.Null, &c.OwnNull} {
			if err := n.check(); err != nil {
				return nil, fmt.Errorf("banding: baseline, channel %q: %w", c.Channel, err)
			}
		}
	}
	d := &Detector{geom: b.Geometry, opt: b.Options.withDefaults(), base: b}
	d.order = b.Geometry.Channels
	if len(d.order) == 0 {
		for _, c := range b.Channels {
			d.order = append(d.order, c.Channel)
		}
	}
	d.init()
	return d, nil
}

func (s Spectrum) check() error {
	if len(s.AR) == 0 || s.AR[0] != 1 || len(s.AR) > padX {
		return fmt.Errorf("spectrum with %d coefficients; there must be 1 to %d, the first of them 1", len(s.AR), padX)
	}
	if !(s.Variance > 0) || math.IsInf(s.Variance, 0) {
		return fmt.Errorf("spectrum with variance %v", s.Variance)
	}
	for _, a := range s.AR {
		if math.IsNaN(a) || math.IsInf(a, 0) {
			return fmt.Errorf("spectrum with a coefficient %v", a)
		}
	}
	return nil
}

func (g Geometry) check() error {
	for _, v := range []struct {
		name  string
		value float64
	}{{"step_mm", g.StepMM}, {"nozzle_pitch_um", g.NozzlePitchUM}, {"nozzles", float64(g.Nozzles)}, {"passes", float64(g.Passes)}} {
		if v.value < 0 || math.IsNaN(v.value) || math.IsInf(v.value, 0) {
			return fmt.Errorf("banding: geometry: %s is %v; it must be positive, or 0 for unknown", v.name, v.value)
		}
	}
	if f := g.FirstNozzleMM; f != nil && (math.IsNaN(*f) || math.IsInf(*f, 0)) {
		return fmt.Errorf("banding: geometry: first_nozzle_mm is %v", *f)
	}
	return nil
}

func (d *Detector) init() {
	d.plans = map[planKey]*plan{}
	d.preps = map[prepKey]*prepared{}
	d.pool.New = func() any { return &work{d: d} }
}

// period is the step in samples, 0 when unknown.
func (d *Detector) period(pitchMM float64) float64 { return d.geom.StepMM / pitchMM }

// plan returns the searching geometry for strips of n samples.
func (d *Detector) plan(n int, pitchMM float64, feed bool) *plan {
	k := planKey{n, pitchMM, feed}
	d.mu.Lock()
	defer d.mu.Unlock()
	if p, ok := d.plans[k]; ok {
		return p
	}
	if len(d.plans) > 64 { // strips of ever changing length: start afresh rather than grow
		clear(d.plans)
		clear(d.preps)
	}
	p := newPlan(n, pitchMM, d.period(pitchMM), feed)
	d.plans[k] = p
	return p
}

func newPlan(n int, pitchMM, period float64, feed bool) *plan {
	p := &plan{n: n}
	reach := onReach
	if feed {
		reach = feedReach
	}
	switch {
	case period > 0:
		p.add(newFoldPlan(n, period, reach, 0.18/pitchMM, marginFor(pitchMM)))
	default:
		// The step is unknown: search 2 to 60 mm in windows of 8 %.
		for t := 2.0; t < 60 && t/pitchMM*3 < float64(n); t *= 1.08 {
			p.add(newFoldPlan(n, t/pitchMM*1.04, 0.04, 0.18/pitchMM, marginFor(pitchMM)))
		}
	}
	return p
}

func (p *plan) add(f *foldPlan) {
	if f == nil {
		return
	}
	p.folds = append(p.folds, f)
	one := make([]float64, p.n+2*f.pad)
	for i := range p.n {
		one[f.pad+i] = 1
	}
	p.tables = append(p.tables, coverage(f, one, nil, nil))
}

// coverage folds a 0/1 series and returns 1/sqrt of the counts, trial by trial; 0 where less than a
// third of the steps reach.
func coverage(f *foldPlan, one, locals, table []float64) []float64 {
	locals = grow(locals, f.localsLen())
	f.locals(one, locals)
	table = grow(table, f.width*len(f.slopes))
	for t := range f.slopes {
		row := table[t*f.width : (t+1)*f.width]
		f.profile(locals, t, row)
		for i, c := range row {
			if c > float64(f.rows)/3 {
				row[i] = 1 / math.Sqrt(c)
			} else {
				row[i] = 0
			}
		}
	}
	return table
}

// marginFor is the extra width of a profile that the filters after the fold need, in samples.
func marginFor(pitchMM float64) int {
	sig := bank(pitchMM)
	m, v := 4, sig[0]*sig[0]
	for i := 1; i < len(sig); i++ {
		for _, d := range passesFor(sig[i]*sig[i] - v) {
			m += d
			v += float64(d*d) / 2
		}
	}
	return m + int(math.Round(sig[min(1, len(sig)-1)]))
}

func (d *Detector) baselineOf(channel string) *ChannelBaseline {
	if d.base == nil {
		return nil
	}
	if channel == AllChannels {
		return d.base.All
	}
	for i := range d.base.Channels {
		if d.base.Channels[i].Channel == channel {
			return &d.base.Channels[i]
		}
	}
	return nil
}

// prepared returns the baseline's filters and limits of a channel.
func (d *Detector) prepared(channel string, n, channels int, pitchMM float64) *prepared {
	b := d.baselineOf(channel)
	if b == nil {
		return nil
	}
	p := d.plan(n, pitchMM, channel == AllChannels)
	k := prepKey{planKey{n, pitchMM, channel == AllChannels}, channel}
	d.mu.Lock()
	defer d.mu.Unlock()
	if q, ok := d.preps[k]; ok {
		return q
	}
	wh := newWhitening(b.Spectrum, pitchMM, d.period(pitchMM))
	q := d.prepare(wh, p, b.Null, channel == AllChannels, channels, b.loudnessLeft(wh, n, channels))
	d.preps[k] = q
	return q
}

// prepare works out the limits; spread is the standard deviation of the logarithm of the noise's scale.
func (d *Detector) prepare(w *whitening, p *plan, null Null, feed bool, channels int, spread float64) *prepared {
	q := &prepared{w: w, plan: p, null: null}
	q.setFields()
	alpha := d.opt.Alpha
	for f := family(0); f < families; f++ {
		share := alpha * shares[f] / float64(channels)
		switch {
		case feed && f <= famDark:
			share = alpha * shareFeed / 2
		case len(p.folds) == 0 && f == famSingleLight:
			share = alpha * 0.8 / float64(channels) // nothing to fold: the single lines get it all
		case len(p.folds) == 0 && f == famSingleDark:
			share = alpha * 0.2 / float64(channels)
		}
		if q.fields[f] == (field{}) {
			q.limits[f] = math.Inf(1)
			continue
		}
		if f == famPair || f == famSection {
			u := q.fields[f].limit(share)
			q.limits[f] = u * foldMargin * raise(u, spread)
			continue
		}
		q.shapeLimits(f, share, spread)
	}
	return q
}

// shapeLimits gives each width of a line search its own limit, and brings them to one.
func (q *prepared) shapeLimits(f family, share, spread float64) {
	fields := shapeFields(q.w, q.plan, f >= famSingleLight)
	total := 0.0
	for i := range fields {
		total += shapeShares[len(shapeShares)-len(fields)+i]
	}
	last := len(fields) - 1
	for i := last; i >= 0; i-- {
		over := bankOverlap
		if last == 0 {
			over = 1
		}
		chance := share * shapeShares[len(shapeShares)-len(fields)+i] / total / over
		u := fields[i].limit(chance)
		if n := &q.null; f >= famSingleLight && i < len(n.SingleHeavy) && n.SingleHeavy[i] > 1.2 {
			g := (n.SingleMu[i] - n.SingleBeta[i]*math.Log(-math.Log1p(-chance))) / n.scale(f, i)
			u += math.Min(1, (n.SingleHeavy[i]-1.2)/0.3) * math.Max(0, g-u)
		}
		u *= raise(u, spread)
		if f >= famSingleLight {
			u *= singleMargin
		} else {
			u *= foldMargin
		}
		if i == last {
			q.limits[f] = u
		}
		q.adjust[f][i] = q.limits[f] / u
	}
}

// shapeFields is the geometry of the line search, width by width.
func shapeFields(w *whitening, p *plan, single bool) []field {
	out := make([]field, len(w.shapes))
	for i, sh := range w.shapes {
		if single {
			out[i] = lineField(float64(p.n), sh.lambda)
			continue
		}
		for _, f := range p.folds {
			out[i] = out[i].plus(foldField(f.period, 2*f.reach*f.period*float64(f.rows), sh.foldLambda()))
		}
	}
	return out
}

func (q *prepared) setFields() {
	for f := range q.adjust {
		for i := range q.adjust[f] {
			q.adjust[f][i] = 1
		}
	}
	q.fields = searchFields(q.w, q.plan.n, q.plan.folds)
}

// searchFields is the geometry of the searches over a strip of n samples and the given folds.
func searchFields(w *whitening, n int, folds []*foldPlan) (out [families]field) {
	overlap := func(k int) float64 {
		if k == 1 {
			return 1
		}
		return bankOverlap
	}
	for _, sh := range w.shapes {
		out[famSingleLight] = out[famSingleLight].plus(lineField(float64(n), sh.lambda))
	}
	out[famSingleLight] = out[famSingleLight].times(overlap(len(w.shapes)))
	out[famSingleDark] = out[famSingleLight]
	for _, f := range folds {
		drift := 2 * f.reach * f.period * float64(f.rows)
		for _, sh := range w.shapes {
			out[famLight] = out[famLight].plus(foldField(f.period, drift, sh.foldLambda()))
		}
		out[famPair] = out[famPair].plus(foldField(f.period, drift, w.pair.foldLambda()).times(2))
		for _, s := range w.sections {
			out[famSection] = out[famSection].plus(foldField(f.period, drift, s.lambda).times(2))
		}
	}
	out[famLight] = out[famLight].times(overlap(len(w.shapes)))
	out[famDark] = out[famLight]
	return out
}
