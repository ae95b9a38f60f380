package colour

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// Reference: ciede2000-sharma2005.csv (Sharma, Wu, Dalal 2005, Table 1), both directions.
func TestDE2000Published(t *testing.T) {
	tab := readTable(t, "ciede2000-sharma2005.csv")
	if len(tab.rows) != 34 {
		t.Fatalf("%d pairs, want 34", len(tab.rows))
	}
	for _, row := range tab.rows {
		a, b := tab.lab(t, row, "L1", "a1", "b1"), tab.lab(t, row, "L2", "a2", "b2")
		want := tab.number(t, row, "dE00")
		near(t, "pair "+tab.text(row, "pair"), DE2000(a, b), want, 1e-4)
		near(t, "pair "+tab.text(row, "pair")+" exchanged", DE2000(b, a), want, 1e-4)
	}
}

// textbookDE2000 follows the published formula step by step, with its angles; DE2000 must be
// the same function.
func textbookDE2000(p, q Lab) float64 {
	const deg = math.Pi / 180
	c := (p.Chroma() + q.Chroma()) / 2
	g := 0.5 * (1 - math.Sqrt(math.Pow(c, 7)/(math.Pow(c, 7)+math.Pow(25, 7))))
	a1, a2 := (1+g)*p.A, (1+g)*q.A
	c1, c2 := math.Hypot(a1, p.B), math.Hypot(a2, q.B)
	h1, h2 := Lab{A: a1, B: p.B}.Hue(), Lab{A: a2, B: q.B}.Hue()
	dh, mh := h2-h1, h1+h2
	switch {
	case c1*c2 == 0:
		dh = 0
	case math.Abs(dh) <= 180:
		mh /= 2
	case mh < 360:
		mh = (mh + 360) / 2
	default:
		mh = (mh - 360) / 2
	}
	if dh > 180 {
		dh -= 360
	} else if dh < -180 {
		dh += 360
	}
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*deg)
	mc, ml := (c1+c2)/2, (p.L+q.L)/2
	t := 1 - 0.17*math.Cos((mh-30)*deg) + 0.24*math.Cos(2*mh*deg) + 0.32*math.Cos((3*mh+6)*deg) - 0.20*math.Cos((4*mh-63)*deg)
	rt := -2 * math.Sqrt(math.Pow(mc, 7)/(math.Pow(mc, 7)+math.Pow(25, 7))) *
		math.Sin(60*math.Exp(-math.Pow((mh-275)/25, 2))*deg)
	l := (q.L - p.L) / (1 + 0.015*(ml-50)*(ml-50)/math.Sqrt(20+(ml-50)*(ml-50)))
	cc := (c2 - c1) / (1 + 0.045*mc)
	hh := dH / (1 + 0.015*mc*t)
	return math.Sqrt(l*l + cc*cc + hh*hh + rt*cc*hh)
}

func TestDE2000IsTheTextbookFormula(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	draw := func() Lab { return Lab{100 * rng.Float64(), 260*rng.Float64() - 130, 260*rng.Float64() - 130} }
	for range 200_000 {
		a, b := draw(), draw()
		if got, want := DE2000(a, b), textbookDE2000(a, b); math.Abs(got-want) > 1e-8 {
			t.Fatalf("%v %v: %.12g, textbook %.12g", a, b, got, want)
		}
		// Close colours, where the textbook form itself loses digits.
		b = Lab{a.L + rng.NormFloat64(), a.A + rng.NormFloat64(), a.B + rng.NormFloat64()}
		if got, want := DE2000(a, b), textbookDE2000(a, b); math.Abs(got-want) > 1e-7 {
			t.Fatalf("%v %v: %.12g, textbook %.12g", a, b, got, want)
		}
		// Without chroma on one side.
		b.A, b.B = 0, 0
		if got, want := DE2000(a, b), textbookDE2000(a, b); math.Abs(got-want) > 1e-9 {
			t.Fatalf("%v %v: %.12g, textbook %.12g", a, b, got, want)
		}
	}
}

func TestDE2000Properties(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		a, b := drawLab(r, "a"), drawLab(r, "b")
		d := DE2000(a, b)
		if !(d >= 0) {
			r.Fatalf("%v %v: %g", a, b, d)
		}
		if back := DE2000(b, a); math.Abs(d-back) > 1e-9 {
			r.Fatalf("%v %v: %.12g one way, %.12g the other", a, b, d, back)
		}
		if self := DE2000(a, a); self != 0 {
			r.Fatalf("%v: %g from itself", a, self)
		}
	})
}

// Hues a hair less or more than 180 degrees apart, on either side of the a* axis and elsewhere.
func TestDE2000OppositeHues(t *testing.T) {
	for _, tiny := range []float64{0, 1e-18, 7.105427357601002e-15, 1e-12} {
		for _, s := range []float64{1, -1} {
			for _, u := range []float64{1, -1} {
				for _, c := range [][2]Lab{
					{{1, 1, s * tiny}, {1, -1, u * tiny}},
					{{60, 30, s * tiny}, {50, -10, u * tiny}},
					{{60, s * tiny, 30}, {50, u * tiny, -10}},
					{{60, 3, 4 + s*tiny}, {50, -6, -8 + u*tiny}},
				} {
					d, back := DE2000(c[0], c[1]), DE2000(c[1], c[0])
					if math.Abs(d-back) > 1e-9 {
						t.Errorf("%v: %.10g one way, %.10g the other", c, d, back)
					}
					if want := textbookDE2000(c[0], c[1]); tiny == 0 && c[0].B == 0 && math.Abs(d-want) > 1e-9 {
						t.Errorf("%v: %.10g, textbook %.10g", c, d, want)
					}
				}
			}
		}
	}
}

func TestDifferenceOfNaN(t *testing.T) {
	bad := Lab{math.NaN(), 1, 2}
	worse := Lab{1, math.NaN(), math.Inf(1)}
	for _, d := range []float64{DE2000(bad, Lab{}), DE2000(Lab{}, worse), DE76(bad, Lab{})} {
		if !math.IsNaN(d) {
			t.Errorf("difference from NaN is %g", d)
		}
	}
}

// Reference: de76.csv (regression values of the BSD-3 colour-science and MIT color.js tests).
func TestDE76Published(t *testing.T) {
	tab := readTable(t, "de76.csv")
	if len(tab.rows) != 4 {
		t.Fatalf("%d pairs, want 4", len(tab.rows))
	}
	for _, row := range tab.rows {
		a, b := tab.lab(t, row, "L1", "a1", "b1"), tab.lab(t, row, "L2", "a2", "b2")
		near(t, "DE76", DE76(a, b), tab.number(t, row, "value"), 6e-5)
	}
}
