package scan

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// match pairs a layout's mark with its place in the picture.
type match struct {
	mark  point // mm
	place point // pixels
}

// registration is where the sheet lies in the picture.
type registration struct {
	affine  affine
	matches []match
	missing int
	likes   float64 // correlation of the patches' expected and seen lightness; NaN without patches
}

// fit finds the layout's marks among the spots. With a code whose place the layout knows it
// starts there; else it tries pairs of spots as opposite corners, at all turns and mirrored, and
// lets the patches decide between arrangements that fit alike.
func (o *overview) fit(l *chart.Layout, spots []spot, c *code, dpi float64) (*registration, error) {
	if len(l.Marks) < 3 {
		return nil, fmt.Errorf("chart %s has no marks to find it by", l.ID)
	}
	var tries []*registration
	if c != nil {
		if places, ok := c.places(l); ok {
			if r := grow(l, spots, places[:], c.corners[:]); r != nil {
				tries = append(tries, r)
			}
		}
	}
	if len(tries) == 0 {
		tries = fromPairs(l, spots, dpi)
	}
	var best *registration
	for _, r := range tries {
		r.likes = o.likeness(l, r.affine)
		if best == nil || r.better(best) {
			best = r
		}
	}
	need := max(4, (len(l.Marks)+1)/2)
	switch {
	case best == nil || len(best.matches) < need:
		n := 0
		if best != nil {
			n = len(best.matches)
		}
		return nil, fmt.Errorf("only %d of the %d marks of chart %s are found (%d are needed); is the whole chart in the picture, flat, and is it this chart?",
			n, len(l.Marks), l.ID, need)
	case best.likes < 0.5 && outside(l, best.affine.apply, o.w*o.factor, o.h*o.factor) > 0:
		return nil, notWhole(l, outside(l, best.affine.apply, o.w*o.factor, o.h*o.factor))
	case best.likes < 0.5:
		return nil, fmt.Errorf("the marks fit, but the patches do not look like chart %s (correlation %.2f); is it another chart or edition?", l.ID, best.likes)
	}
	return best, nil
}

// better prefers the arrangement whose patches look right, then the one with more marks.
func (r *registration) better(o *registration) bool {
	if !math.IsNaN(r.likes) && !math.IsNaN(o.likes) && math.Abs(r.likes-o.likes) > 0.2 {
		return r.likes > o.likes
	}
	return len(r.matches) > len(o.matches)
}

// grow starts from places that are known in both, and takes in the marks from the nearest
// outwards, with a tolerance that grows with the distance from what is known already. It gives
// nil when fewer than three marks are found.
func grow(l *chart.Layout, spots []spot, mm, px []point) *registration {
	seed := point{}
	for _, p := range mm {
		seed.x, seed.y = seed.x+p.x/float64(len(mm)), seed.y+p.y/float64(len(mm))
	}
	t, ok := fitAffine(mm, px)
	if !ok || t.scale() == 0 {
		return nil
	}
	marks := markPoints(l)
	slices.SortStableFunc(marks, func(a, b point) int {
		return int(math.Copysign(1, dist(a, seed)-dist(b, seed)))
	})
	known, at := slices.Clone(mm), slices.Clone(px)
	used := make([]bool, len(spots))
	var found []match
	for _, m := range marks {
		near := math.Inf(1)
		for _, k := range known {
			near = min(near, dist(k, m))
		}
		tolerance := min(1+0.04*near, 8) * t.scale()
		want := t.apply(m)
		best := -1
		for i, s := range spots {
			d := dist(point{s.x, s.y}, want)
			if !used[i] && d < tolerance {
				best, tolerance = i, d
			}
		}
		if best < 0 {
			continue
		}
		used[best] = true
		p := point{spots[best].x, spots[best].y}
		found = append(found, match{m, p})
		known, at = append(known, m), append(at, p)
		if u, ok := fitAffine(known, at); ok {
			t = u
		}
	}
	return settle(l, spots, found)
}

// settle fits the affine map to the matched marks alone, then matches all marks again by it.
func settle(l *chart.Layout, spots []spot, found []match) *registration {
	r := &registration{matches: found}
	for range 3 {
		mm, px := r.split()
		t, ok := fitAffine(mm, px)
		if !ok {
			return nil
		}
		r.affine = t
		r.matches = nil
		for _, m := range markPoints(l) {
			want, best, tolerance := t.apply(m), -1, 3*t.scale()
			for i, s := range spots {
				if d := dist(point{s.x, s.y}, want); d < tolerance {
					best, tolerance = i, d
				}
			}
			if best >= 0 {
				r.matches = append(r.matches, match{m, point{spots[best].x, spots[best].y}})
			}
		}
	}
	r.missing = len(l.Marks) - len(r.matches)
	return r
}

func (r *registration) split() (mm, px []point) {
	for _, m := range r.matches {
		mm, px = append(mm, m.mark), append(px, m.place)
	}
	return mm, px
}

// fromPairs tries spots as the ends of the sheet's two diagonals.
func fromPairs(l *chart.Layout, spots []spot, dpi float64) []*registration {
	marks := markPoints(l)
	by := func(f func(p point) float64) point {
		return slices.MaxFunc(marks, func(a, b point) int { return int(math.Copysign(1, f(a)-f(b))) })
	}
	diagonals := [][2]point{
		{by(func(p point) float64 { return -p.x - p.y }), by(func(p point) float64 { return p.x + p.y })},
		{by(func(p point) float64 { return p.x - p.y }), by(func(p point) float64 { return p.y - p.x })},
	}
	type trial struct {
		t affine
		n int
	}
	var trials []trial
	for _, d := range diagonals {
		length := dist(d[0], d[1])
		for i, u := range spots {
			for j, v := range spots {
				px := dist(point{u.x, u.y}, point{v.x, v.y})
				// The size of a mark says how large the whole should be, where dpi do not.
				want := length * (u.diameter + v.diameter) / 2 / chart.MarkDiameterMM
				slack := 0.25
				if dpi > 0 {
					want, slack = length*dpi/25.4, 0.05
				}
				if i == j || math.Abs(px-want) > slack*want {
					continue
				}
				for _, mirrored := range []bool{false, true} {
					t := similarity(d[0], d[1], point{u.x, u.y}, point{v.x, v.y}, mirrored)
					trials = append(trials, trial{t, fits(t, marks, spots)})
				}
			}
		}
	}
	slices.SortStableFunc(trials, func(a, b trial) int { return b.n - a.n })
	var out []*registration
	for i, tr := range trials {
		if i >= 64 || tr.n < 3 || tr.n < trials[0].n*7/10 {
			break
		}
		var found []match
		for _, m := range marks {
			if s, ok := nearest(spots, tr.t.apply(m), 4*tr.t.scale()); ok {
				found = append(found, match{m, s})
			}
		}
		if r := settle(l, spots, found); r != nil {
			out = append(out, r)
		}
	}
	return out
}

func fits(t affine, marks []point, spots []spot) int {
	n, tolerance := 0, 4*t.scale()
	for _, m := range marks {
		if _, ok := nearest(spots, t.apply(m), tolerance); ok {
			n++
		}
	}
	return n
}

func nearest(spots []spot, p point, tolerance float64) (q point, ok bool) {
	for _, s := range spots {
		if d := dist(point{s.x, s.y}, p); d < tolerance {
			q, ok, tolerance = point{s.x, s.y}, true, d
		}
	}
	return q, ok
}

func markPoints(l *chart.Layout) []point {
	out := make([]point, len(l.Marks))
	for i, m := range l.Marks {
		out[i] = point{m.X, m.Y}
	}
	return out
}

func dist(a, b point) float64 { return math.Hypot(a.x-b.x, a.y-b.y) }

// likeness is the correlation, over the patches, of how light the device values should be and
// how light the picture is there. NaN if there are too few patches to say.
func (o *overview) likeness(l *chart.Layout, t affine) float64 {
	if len(l.Patches) < 12 || !l.HasGeometry() {
		return math.NaN()
	}
	var n, sx, sy, sxx, syy, sxy float64
	for _, p := range l.Patches {
		c := t.apply(point{p.X + p.W/2, p.Y + p.H/2})
		cx, cy := int(c.x)/o.factor, int(c.y)/o.factor
		seen := 0.0
		for dy := -1; dy <= 1; dy++ {
			for dx := -1; dx <= 1; dx++ {
				seen += float64(o.at(cx+dx, cy+dy)) / 9
			}
		}
		x := expected(l, p)
		n, sx, sy, sxx, syy, sxy = n+1, sx+x, sy+seen, sxx+x*x, syy+seen*seen, sxy+x*seen
	}
	vx, vy := sxx-sx*sx/n, syy-sy*sy/n
	if vx <= 0 || vy <= 0 {
		return math.NaN()
	}
	return (sxy - sx*sy/n) / math.Sqrt(vx*vy)
}

// expected is about how light a patch should look to a green or grey sensor, on a scale like
// that of encoded values; only its order of magnitude among the patches matters.
func expected(l *chart.Layout, p chart.Patch) float64 {
	v := 1.0
	for i, c := range l.Channels {
		if l.Driven == chart.DrivenRGB {
			c = [3]string{"C", "M", "Y"}[i]
		}
		stop, ok := map[string]float64{"C": 0.55, "M": 0.9, "Y": 0.15, "K": 0.95}[c]
		if !ok {
			stop = 0.5
		}
		v *= 1 - stop*l.Tint(p, i)/100
	}
	return math.Sqrt(v)
}
