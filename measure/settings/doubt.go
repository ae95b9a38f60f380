package settings

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
)

// Limits of doubt about a print. It may miss what the other prints lead to expect by suspectMiss
// (mean CIEDE2000), and by suspectShare of the way from the nearest other print: how sliders act is
// learned from such misses. It may also miss by suspectSpread times what the belief itself, with all
// that it does not know yet of the sliders, expects to be off: prints in order miss by 0.6 times that
// in the median and by 1.5 nearly always, those of a cold press by 3, once there are a few prints;
// among the first few a driver that jumps looks no other, so that it is suspectEarly times there. And
// suspectLeft of it may be nothing that any amounts of the inks make of the others' colours. Found on
// made-up printers (cmd/trials settings).
const (
	suspectMiss   = 3.0
	suspectShare  = 0.8
	suspectSpread = 1.7
	suspectEarly  = 2.2
	suspectFew    = 4 // prints below which it is early
	suspectLeft   = 6.0
)

// doubted names the print that does not fit the others, -1 if all do. A scene sees the prints from its
// own, the nearest, which may be the failed one: from three prints on they are looked at from the
// nearest of the others too. Where the two views name different prints, it is the one without which
// the rest fit better. With two prints nobody can tell which of them is at fault: it is the farther
// one that is doubted, and made once more.
func (a *Advice) doubted(s *scene, prints []Print, weight []float64) (int, error) {
	one, _, err := s.misfit(prints, weight)
	if err != nil || trusted(weight) < 3 {
		return one, err
	}
	other, err := s.scene(prints, a.nearest(doubting(weight, s.at)), weight)
	if err != nil {
		return -1, err
	}
	two, _, err := other.misfit(prints, weight)
	switch {
	case err != nil:
		return -1, err
	case two != s.at || one == two:
		return one, nil
	case one < 0:
		return two, nil
	case trusted(weight) == 3:
		return one, nil
	}
	least, j := math.Inf(1), one
	from := a.nearest(doubting(weight, one, two))
	for _, k := range []int{one, two} {
		rest := doubting(weight, k)
		view, err := s.scene(prints, from, rest)
		if err != nil {
			return -1, err
		}
		_, over, err := view.misfit(prints, rest)
		if err != nil {
			return -1, err
		}
		if over < least {
			least, j = over, k
		}
	}
	return j, nil
}

// doubting are the weights with these prints doubted.
func doubting(weight []float64, prints ...int) []float64 {
	out := slices.Clone(weight)
	for _, j := range prints {
		out[j] = suspectWeight
	}
	return out
}

// trusted is how many prints count in full.
func trusted(weight []float64) (n int) {
	for _, w := range weight {
		if w == 1 {
			n++
		}
	}
	return n
}

// misfit names the print that misses most of what the others lead to expect, of those that count in
// full but for the scene's own, and by how many times what is allowed; -1 where all keep within it.
func (s *scene) misfit(prints []Print, weight []float64) (worst int, over float64, err error) {
	worst = -1
	times := suspectSpread
	if trusted(weight) < suspectFew {
		times = suspectEarly
	}
	for i, pr := range s.list {
		j := pr.print
		if weight[j] < 1 || prints[j].Kept || repeatAgrees(prints, j) {
			continue
		}
		expected, err := s.without(s.list, i)
		if err != nil {
			return -1, 0, err
		}
		way := math.Inf(1)
		for k := range prints {
			if k != j {
				way = min(way, between(expected, prints[k]))
			}
		}
		miss := between(expected, prints[j])
		x := miss / (suspectMiss + suspectShare*way)
		if x > 1 {
			spread, err := s.spread(i)
			if err != nil {
				return -1, 0, err
			}
			x = math.Min(x, miss/(times*spread))
		}
		x = math.Max(x, pr.left/(suspectLeft+suspectShare/2*way))
		if x > over {
			over = x
			if x > 1 {
				worst = j
			}
		}
	}
	return worst, over, nil
}

// without foretells print i of the list from the others.
func (s *scene) without(list []seen, i int) (Print, error) {
	others := slices.Delete(slices.Clone(list), i, i+1)
	w, err := s.belief.mostLikely(others)
	if err != nil {
		return Print{}, err
	}
	c := s.belief.at(w, list[i].u)
	out := Print{Lab: make([]colour.Lab, len(s.pic.lab))}
	for p := range out.Lab {
		z := s.pic.moved(p, c, nil)
		for b := range z {
			z[b] += s.pic.logs[p][b]
		}
		out.Lab[p] = labOf(z)
	}
	return out, nil
}

// spread is how far print i of the list is expected to lie from what the others foretell of it, as a
// mean CIEDE2000: the sliders' unknown effects, and the print's own noise.
func (s *scene) spread(i int) (float64, error) {
	p, err := s.belief.given(slices.Delete(slices.Clone(s.list), i, i+1))
	if err != nil {
		return 0, err
	}
	var chol mat.Cholesky
	if !chol.Factorize(newForetold(p, s.list[i].noise).covariance(s.list[i].u)) {
		return 0, errSingular
	}
	var root mat.TriDense
	chol.LTo(&root)
	r := rand.New(rand.NewPCG(s.Seed, 0x737072656164))
	k, sum := s.pic.size(), 0.0
	for range draws {
		xi := make([]float64, k)
		for x := range xi {
			xi[x] = r.NormFloat64()
		}
		var c mat.VecDense
		c.MulVec(&root, mat.NewVecDense(k, xi))
		_, size := s.effect(c.RawVector().Data)
		sum += size / draws
	}
	return sum, nil
}

// repeatAgrees tells whether another print of the same settings looks the same: then both are
// what these settings give, however odd.
func repeatAgrees(prints []Print, j int) bool {
	for k := range prints {
		if k == j {
			continue
		}
		same := slices.Equal(prints[k].Values, prints[j].Values)
		if same && between(prints[j], prints[k]) < 2 {
			return true
		}
	}
	return false
}

// between is the mean CIEDE2000 between two prints.
func between(a, b Print) float64 {
	sum, n := 0.0, 0.0
	for p := range a.Lab {
		if a.Missing != nil && a.Missing[p] || b.Missing != nil && b.Missing[p] {
			continue
		}
		sum += colour.DE2000(a.Lab[p], b.Lab[p])
		n++
	}
	return sum / math.Max(1, n)
}

// What is said of sliders, once enough prints have moved them enough: one does hardly
// anything when all of its range is believed to do less than IdleDE, and less than idleShare of what
// its kind promised: a dead slider is not seen to do less than that, for the noise of prints. Two do the same when half of the range of each does alikeDE at least and
// the directions of their effects agree to alikeCosine.
// In a search all sliders move at once, and most prints cannot tell a dead one from those that moved
// with it: one that is believed to do less than weakShare of what its kind promised is asked to be
// moved alone: two prints that differ in nothing else tell for sure. Found on made-up drivers with a dead
// slider, which were at 0.22 to 0.34.
const (
	IdleDE      = 1.5
	idleShare   = 0.3
	weakShare   = 0.36
	alikeDE     = 1.2
	alikeCosine = 0.96
	movedEnough = 0.3 // in half-ranges
	printsFirst = 4
)

// sameness fills in which sliders do nothing, and which do the same, by the mean belief.
func (s *scene) sameness(prints []Print, a *Advice) error {
	if len(prints) < printsFirst {
		return nil
	}
	n := len(s.Sliders)
	field, size, moved := make([][]float64, n), make([]float64, n), make([]bool, n)
	for i, sl := range s.Sliders {
		low, high := math.Inf(1), math.Inf(-1)
		for _, pr := range prints {
			x := sl.unit(pr.Values[i])
			low, high = min(low, x), max(high, x)
		}
		moved[i] = high-low >= movedEnough
		field[i], size[i] = s.effect(s.belief.mean[1+i])
	}
	for i, sl := range s.Sliders {
		if !moved[i] {
			continue
		}
		de, alone, err := s.alone(prints, a.Suspect, i)
		if err != nil {
			return err
		}
		share := size[i] / s.promisedSize(i)
		if alone && de < IdleDE || !alone && s.wholeRange(i) < IdleDE && share < idleShare {
			a.Idle = append(a.Idle, sl.Name)
			continue
		}
		if !alone && share < weakShare {
			a.Weak = append(a.Weak, sl.Name)
		}
		for j := range i {
			if !moved[j] || min(size[i], size[j]) < alikeDE {
				continue
			}
			dot, x, y := 0.0, 0.0, 0.0
			for k := range field[i] {
				dot += field[i][k] * field[j][k]
				x += field[i][k] * field[i][k]
				y += field[j][k] * field[j][k]
			}
			if math.Abs(dot) >= alikeCosine*math.Sqrt(x*y) {
				a.Alike = append(a.Alike, [2]string{s.Sliders[j].Name, sl.Name})
			}
		}
	}
	return nil
}

// alone is what slider i does over its whole range, as two prints tell that differ in it alone, and by
// enough; known is false where there are no such two. Of several pairs the one farthest apart counts.
func (s *scene) alone(prints []Print, doubted []int, i int) (de float64, known bool, err error) {
	most := movedEnough
	var from, to int
	for j := range prints {
		for k := range prints {
			way := math.Abs(s.Sliders[i].unit(prints[j].Values[i]) - s.Sliders[i].unit(prints[k].Values[i]))
			if j == k || way < most || way == most && known && j != s.at || slices.Contains(doubted, j) || slices.Contains(doubted, k) {
				continue
			}
			same := true
			for x := range s.Sliders {
				same = same && (x == i || prints[j].Values[x] == prints[k].Values[x])
			}
			if same {
				from, to, most, known = j, k, way, true
			}
		}
	}
	if !known {
		return 0, false, nil
	}
	v, err := s.view(prints, from)
	if err != nil {
		return 0, false, err
	}
	_, size := s.effect(v.shown[to].c)
	return size * 2 / most, true, nil
}

// wholeRange is what slider i's whole range is believed to do from the origin: to the one end and to the other.
func (s *scene) wholeRange(i int) float64 {
	low, high := s.bounds(i)
	zero := s.belief.at(s.belief.mean, make([]float64, len(s.Sliders)))
	sum := 0.0
	for _, end := range []float64{low, high} {
		u := make([]float64, len(s.Sliders))
		u[i] = end
		c := s.belief.at(s.belief.mean, u)
		for x := range c {
			c[x] -= zero[x]
		}
		_, size := s.effect(c)
		sum += size
	}
	return sum
}

// promisedSize is how large the effect of half of slider i's range was believed to be before any
// print: the root mean square over the promise.
func (s *scene) promisedSize(i int) float64 {
	t := &s.belief.terms[1+i]
	_, size := s.effect(t.mean)
	sum := size * size
	for _, v := range t.root {
		_, size := s.effect(v)
		sum += size * size
	}
	return math.Sqrt(sum)
}

// effect is what a small change of tints c does to the patches, in units of dE00, and its mean size
// over them.
func (s *scene) effect(c []float64) (field []float64, size float64) {
	each := s.pic.each()
	zero := make([]float64, len(c))
	for _, p := range s.subset {
		var slope [16][3]float64
		s.pic.moved(p, zero, &slope)
		var dz [3]float64
		for ch, form := range s.pic.form[p] {
			d := 0.0
			for x, f := range form {
				d += f * c[ch*each+x]
			}
			for b := range dz {
				dz[b] += slope[ch][b] * d
			}
		}
		ls := labSlope(s.pic.logs[p])
		e := mul(&s.pic.metric[p], mul(&ls, dz))
		field = append(field, e[:]...)
		size += math.Sqrt(e[0]*e[0] + e[1]*e[1] + e[2]*e[2])
	}
	return field, size / float64(len(s.subset))
}
