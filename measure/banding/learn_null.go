package banding

import "math"

// offFactors are the periods, as shares of the step, at which nothing repeats: folded there, a good
// reading shows what the largest value of pure noise is.
var offFactors = [...]float64{0.905, 0.93, 0.955, 1.045, 1.07, 1.095}

// largest is one largest value of a good reading.
type largest struct {
	reading int
	channel string
	fam     family
	shape   int
	stat    float64
	field   field
	onStep  bool // folded at the step itself
}

// nulls folds the good readings at periods at which nothing repeats, with the baseline's spectrum and
// with each reading's own, and fits the scale of their largest values.
func (le *learner) nulls() {
	b := le.b
	for _, own := range []bool{false, true} {
		var found []largest
		for i, w := range le.works {
			lanes := w.lanes
			if w.all != nil {
				lanes = append(lanes[:len(lanes):len(lanes)], w.all)
			}
			for _, l := range lanes {
				le.whitenFor(w, l, own)
				w.offPeriods(l, func(fam family, shape int, stat float64, f field) {
					if own || fam < famSingleLight {
						found = append(found, largest{i, l.name, fam, shape, stat, f, false})
					}
				})
				if b.Geometry.StepMM > 0 {
					w.foldMaxima(l, l.prep.plan, func(fam family, shape int, stat float64, f field) {
						found = append(found, largest{i, l.name, fam, shape, stat, f, true})
					})
				}
			}
		}
		var tails []Tail
		if !own {
			le.loudness()
			tails = le.tails()
			for i, w := range le.works {
				for _, l := range w.lanes {
					l.prep.null.StripTail = tails
					w.topSingles(l, func(fam family, shape int, stat float64, f field) {
						found = append(found, largest{i, l.name, fam, shape, stat, f, false})
					})
				}
			}
		}
		set := map[string]*nullSet{AllChannels: new(nullSet)}
		var pool, onStep, onStepAll nullSet
		for i := range b.Channels {
			set[b.Channels[i].Channel] = new(nullSet)
		}
		for _, x := range found {
			stat := x.stat
			if !own {
				stat /= le.works[x.reading].lane(x.channel).loud
			}
			if x.onStep {
				into := &onStep
				if x.channel == AllChannels {
					into = &onStepAll
				}
				into.add(x.fam, x.shape, stat, x.field)
				continue
			}
			set[x.channel].add(x.fam, x.shape, stat, x.field)
			if x.channel != AllChannels {
				pool.add(x.fam, x.shape, stat, x.field)
			}
		}
		for i := range b.Channels {
			n := fitNull(&pool, set[b.Channels[i].Channel], &onStep)
			n.widen(le.foresight(own))
			n.StripTail = tails
			b.Channels[i].set(own, n)
		}
		if b.All != nil {
			n := fitNull(set[AllChannels], set[AllChannels], &onStepAll)
			n.widen(le.foresight(own))
			b.All.set(own, n)
		}
		if !own {
			b.Replicates = len(pool.line[0].Value)
			_, b.LimitSE = pool.line[0].scale()
		}
	}
}

// foresight is how much worse the baseline's spectrum fits the next reading than those it was fitted to: the
// prediction error's variance grows by (n + p) / (n - p) for p coefficients fitted to n samples (H. Akaike, Fitting
// autoregressive models for prediction, 1969). The full ratio is taken for the scale, twice what noise alone asks for,
// since a texture's phase wanders differently in every reading. A reading whitened by itself is not foretold.
func (le *learner) foresight(own bool) float64 {
	if own {
		return 1
	}
	n := float64(len(le.works) * le.b.Samples)
	p := float64(arOrder(le.b.PitchUM / 1000))
	if n < 4*p {
		return 2
	}
	return (n + p) / (n - p)
}
func (c *ChannelBaseline) set(own bool, n Null) {
	if own {
		c.OwnNull = n
	} else {
		c.Null = n
	}
}

// whitenFor filters a lane with the baseline's spectrum or its own.
func (le *learner) whitenFor(w *work, l *lane, own bool) {
	c := le.d.baselineOf(l.name)
	s := c.Spectrum
	if own {
		if o, err := w.ownSpectrum(l, l.body()); err == nil {
			s = o
		}
	}
	w.fill(l, s)
	p := le.d.plan(l.n, w.grid.pitch, l.name == AllChannels)
	l.prep = &prepared{w: newWhitening(s, w.grid.pitch, le.d.period(w.grid.pitch)), plan: p, null: unitNull(1)}
	l.prep.setFields()
	w.whiten(l, l.prep.w)
}

// offPeriods reports the largest statistics of a filtered lane at periods at which nothing repeats,
// and the largest single values.
func (w *work) offPeriods(l *lane, report func(fam family, shape int, stat float64, f field)) {
	keep := l.found
	defer func() { l.found = keep }()
	q := l.prep.w
	l.found = search{}
	w.scanSingles(l)
	single := shapeFields(q, l.prep.plan, true)
	for k := range q.shapes {
		report(famSingleLight, k, l.found.line[2][k].stat, single[k])
		report(famSingleDark, k, l.found.line[3][k].stat, single[k])
	}
	if w.d.period(w.grid.pitch) == 0 {
		w.foldMaxima(l, l.prep.plan, report) // nothing is known to repeat: the search itself
		return
	}
	for _, k := range offFactors {
		w.foldMaxima(l, w.d.offPlan(l.n, w.grid.pitch, k), report)
	}
}

// foldMaxima reports the largest statistics of a filtered lane in the folds of a plan.
func (w *work) foldMaxima(l *lane, p *plan, report func(fam family, shape int, stat float64, f field)) {
	if len(p.folds) == 0 {
		return
	}
	keep := l.found
	l.found = search{}
	w.scanFolds(l, p.folds, p.tables, foldClip)
	q := l.prep.w
	lines := shapeFields(q, p, false)
	for k := range q.shapes {
		report(famLight, k, l.found.line[0][k].stat, lines[k])
		report(famDark, k, l.found.line[1][k].stat, lines[k])
	}
	f := searchFields(q, l.n, p.folds)
	report(famPair, 0, l.found.best[famPair].stat, f[famPair])
	report(famSection, 0, l.found.best[famSection].stat, f[famSection])
	l.found = keep
}

// offPlan is the plan at one of the periods at which nothing repeats.
func (d *Detector) offPlan(n int, pitchMM, factor float64) *plan {
	k := planKey{n, pitchMM * factor, true}
	d.mu.Lock()
	defer d.mu.Unlock()
	if p, ok := d.plans[k]; ok {
		return p
	}
	p := newPlan(n, pitchMM, d.period(pitchMM)*factor, false)
	d.plans[k] = p
	return p
}

// nullSet gathers the largest values of one channel, or of all, by search and width.
type nullSet struct {
	line, single  [len(bankMM)]nullSample
	pair, section nullSample
}

func (s *nullSet) add(f family, shape int, v float64, at field) {
	switch f {
	case famLight, famDark:
		s.line[shape].add(v, at)
	case famSingleLight, famSingleDark:
		s.single[shape].add(v, at)
	case famPair:
		s.pair.add(v, at)
	case famSection:
		s.section.add(v, at)
	}
}

// fitNull turns largest values into scales: those of all channels together, widened by their own
// uncertainty, or the channel's own where that is clearly larger.
//
// A texture whose courses come out even with the step is louder when folded there than at the other
// periods. What the good readings show at the step itself therefore counts when it is larger; a standing line
// cannot raise it much, for each value counts by its rank.
func fitNull(pool, own, onStep *nullSet) Null {
	fit := func(ref float64, p, o, s *nullSample) float64 {
		if len(p.Value) == 0 {
			return 1.05
		}
		k, se := p.scale()
		k /= ref
		out := k * (1 + se)
		if len(o.Value) > 0 {
			ko, so := o.scale()
			ko /= ref
			n := float64(len(o.Value))
			const prior = 60
			mixed := (n*ko + prior*k) / (n + prior)
			if mixed > k*(1+1.5*so) {
				out = math.Max(out, mixed*(1+se))
			}
		}
		if len(s.Value) > 0 {
			ks, _ := s.scale()
			n := float64(len(s.Value))
			const prior = 80 // values: scales at different periods differ by about 2 %
			out = math.Max(out, (n*math.Min(ks/ref, 1.2*k)+prior*k)/(n+prior)*(1+se))
		}
		return out
	}
	none := &nullSample{}
	n := Null{Pair: fit(refPair, &pool.pair, &own.pair, &onStep.pair), Section: fit(refSection, &pool.section, &own.section, &onStep.section)}
	for k := range bankMM {
		if len(pool.single[k].Value) == 0 && len(pool.line[k].Value) == 0 {
			continue // fewer widths than the bank's on a coarse pitch
		}
		n.Line = append(n.Line, fit(refLine[k], &pool.line[k], &own.line[k], &onStep.line[k]))
		n.Single = append(n.Single, fit(refSingle[k], &pool.single[k], &own.single[k], none))
		mu, beta := pool.single[k].gumbel()
		n.SingleMu, n.SingleBeta = append(n.SingleMu, mu), append(n.SingleBeta, beta)
		n.SingleHeavy = append(n.SingleHeavy, pool.single[k].heavy(n.Single[k]*refSingle[k]))
	}
	n.Replicates = len(pool.line[0].Value)
	return n
}
