package banding

import "math"

// trend is a running median over a window of about DetrendMM, taken over the means of half-millimetre
// blocks and joined by straight lines: a median, so that a line does not dig its own hole.
type trend struct {
	block, window int
	blocks        []float64
	sorted        []float64
	med           []float64
}

// subtract takes the trend of x away in place and returns the mean of the trend. NaN counts as missing
// and stays.
func (t *trend) subtract(x []float64, pitchMM, windowMM float64) float64 {
	n := len(x)
	t.block = max(1, int(math.Round(0.5/pitchMM)))
	nb := (n + t.block - 1) / t.block
	t.window = max(1, int(math.Round(windowMM/(pitchMM*float64(t.block))))) | 1
	t.blocks = grow(t.blocks, nb)
	t.med = grow(t.med, nb)
	for b := range nb {
		t.blocks[b] = meanPresent(x[b*t.block : min((b+1)*t.block, n)])
	}
	mean := t.medians()
	t.smooth()
	t.takeAway(x)
	return mean
}

// medians puts the running median of the blocks into med, and returns the mean of those that there are.
func (t *trend) medians() float64 {
	nb := len(t.blocks)
	half := t.window / 2
	last := math.NaN()
	total, count := 0.0, 0
	t.sorted = grow(t.sorted, t.window+1)[:0]
	for b := range min(half, nb) {
		t.insert(t.blocks[b])
	}
	for b := range nb {
		in, out := math.NaN(), math.NaN()
		if b+half < nb {
			in = t.blocks[b+half]
		}
		if b-half-1 >= 0 {
			out = t.blocks[b-half-1]
		}
		if in == in && out == out {
			t.replace(out, in)
		} else {
			t.insert(in)
			t.drop(out)
		}
		m := t.median()
		if m == m {
			last = m
			total += m
			count++
		}
		t.med[b] = last
	}
	for b := nb - 1; b >= 0; b-- { // a gap at the start
		if t.med[b] != t.med[b] && b+1 < nb {
			t.med[b] = t.med[b+1]
		}
	}
	if count == 0 {
		return math.NaN()
	}
	return total / float64(count)
}

// smooth takes a mean of the medians over half the window more: it takes out what a coarse texture left
// in them.
func (t *trend) smooth() {
	nb := len(t.med)
	r := t.window / 2 / 2
	acc, m := 0.0, 0
	for b := range min(r, nb) {
		acc += t.med[b]
		m++
	}
	for b := range nb {
		if b+r < nb {
			acc += t.med[b+r]
			m++
		}
		if b-r-1 >= 0 {
			acc -= t.med[b-r-1]
			m--
		}
		t.blocks[b] = acc / float64(m)
	}
	t.blocks, t.med = t.med, t.blocks
}

// takeAway subtracts the trend, straight lines between the centres of the blocks.
func (t *trend) takeAway(x []float64) {
	n, nb := len(x), len(t.med)
	first := float64(t.block-1) / 2
	for b := 0; b <= nb; b++ {
		c0 := first + float64(b-1)*float64(t.block)
		lo, hi := 0.0, 0.0
		switch {
		case b == 0:
			lo, hi = t.med[0], t.med[0]
		case b == nb:
			lo, hi = t.med[nb-1], t.med[nb-1]
		default:
			lo, hi = t.med[b-1], t.med[b]
		}
		step := (hi - lo) / float64(t.block)
		i0 := max(0, int(math.Ceil(c0)))
		i1 := min(n, int(math.Ceil(c0+float64(t.block))))
		v := lo + step*(float64(i0)-c0)
		for i := i0; i < i1; i++ {
			x[i] -= v
			v += step
		}
	}
}

// insert puts a present value into the sorted window.
func (t *trend) insert(v float64) {
	if v != v {
		return
	}
	s := append(t.sorted, v)
	j := len(s) - 1
	for j > 0 && s[j-1] > v {
		s[j] = s[j-1]
		j--
	}
	s[j] = v
	t.sorted = s
}

// replace exchanges one value of the window for another.
func (t *trend) replace(old, v float64) {
	s := t.sorted
	j := 0
	for j < len(s)-1 && s[j] < old {
		j++
	}
	for j < len(s)-1 && s[j+1] < v {
		s[j] = s[j+1]
		j++
	}
	for j > 0 && s[j-1] > v {
		s[j] = s[j-1]
		j--
	}
	s[j] = v
}

// drop takes a value out of the sorted window.
func (t *trend) drop(v float64) {
	if v != v {
		return
	}
	s := t.sorted
	j := 0
	for j < len(s)-1 && s[j] != v {
		j++
	}
	t.sorted = append(s[:j], s[j+1:]...)
}

func (t *trend) median() float64 {
	s := t.sorted
	switch k := len(s); {
	case k == 0:
		return math.NaN()
	case k%2 == 1:
		return s[k/2]
	default:
		return (s[k/2-1] + s[k/2]) / 2
	}
}

func meanPresent(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	if sum == sum {
		return sum / float64(len(x))
	}
	sum = 0
	n := 0
	for _, v := range x {
		if v == v {
			sum += v
			n++
		}
	}
	return sum / float64(n) // NaN when there is none
}

// grow returns a slice of n elements, using s when it is large enough.
func grow(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}
