package banding

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// An AR(2) process with known coefficients; its variance and autocorrelation in closed form
// (G. E. P. Box and G. M. Jenkins, Time Series Analysis, 1976, section 3.2.4):
// var = (1 - p2) / (1 + p2) * s2 / ((1 - p2)^2 - p1^2).
const phi1, phi2 = 1.2, -0.6

func ar2(n int, rng *rand.Rand) []float64 {
	x := make([]float64, n+200)
	for t := 2; t < len(x); t++ {
		x[t] = phi1*x[t-1] + phi2*x[t-2] + rng.NormFloat64()
	}
	return x[200:]
}

func TestBurgRecoversAR2(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	var recs [][]float64
	for range 10 {
		recs = append(recs, ar2(2000, rng))
	}
	s, err := burg(recs, 4)
	if err != nil {
		t.Fatal(err)
	}
	for k, want := range []float64{1, -phi1, -phi2, 0, 0} {
		if math.Abs(s.AR[k]-want) > 0.03 { // 1/sqrt(20000) = 0.007
			t.Errorf("AR[%d] = %.4f, want %.4f", k, s.AR[k], want)
		}
	}
	sum := 0.0
	const n = 4000
	for k := range n {
		sum += s.Power((float64(k)+0.5)/n-0.5) / n
	}
	want := (1 - phi2) / (1 + phi2) / ((1-phi2)*(1-phi2) - phi1*phi1)
	if math.Abs(sum/want-1) > 0.05 {
		t.Errorf("variance from the spectrum %.3f, closed form %.3f", sum, want)
	}
}

// exactInverse is the inverse covariance of n samples of the AR(2) process, from its autocovariances.
func exactInverse(t *testing.T, n int) *mat.Dense {
	t.Helper()
	c := make([]float64, n)
	c[0] = (1 - phi2) / (1 + phi2) / ((1-phi2)*(1-phi2) - phi1*phi1)
	c[1] = phi1 / (1 - phi2) * c[0]
	for k := 2; k < n; k++ {
		c[k] = phi1*c[k-1] + phi2*c[k-2]
	}
	r := mat.NewDense(n, n, nil)
	for i := range n {
		for j := range n {
			r.Set(i, j, c[max(i-j, j-i)])
		}
	}
	var inv mat.Dense
	if err := inv.Inverse(r); err != nil {
		t.Fatal(err)
	}
	return &inv
}

// The band plus its corner corrections against the dense inverse of gonum.
func TestWhitenedEndsAreExact(t *testing.T) {
	t.Parallel()
	const n = 40
	inv := exactInverse(t, n)
	s := Spectrum{AR: []float64{1, -phi1, -phi2}, Variance: 1}
	x := ar2(n, rand.New(rand.NewPCG(3, 4)))
	q := s.inverseCovariance()
	z := make([]float64, n)
	for i := range z {
		for j := range x {
			if d := max(i-j, j-i); d < len(q) {
				z[i] += q[d] * x[j]
			}
		}
	}
	fix := make([]float64, 2)
	s.corner([]float64{x[n-1], x[n-2]}, fix)
	z[n-1] -= fix[0]
	z[n-2] -= fix[1]
	s.corner([]float64{x[0], x[1]}, fix)
	z[0] -= fix[0]
	z[1] -= fix[1]
	for i := range z {
		want := 0.0
		for j := range x {
			want += inv.At(i, j) * x[j]
		}
		if math.Abs(z[i]-want) > 1e-9 {
			t.Errorf("sample %d: %.10f, dense inverse %.10f", i, z[i], want)
		}
	}
}

// Gaps get their expected values: the whitened series must then be exactly zero there.
func TestGapsCarryNothing(t *testing.T) {
	t.Parallel()
	const n = 40
	inv := exactInverse(t, n)
	s := Spectrum{AR: []float64{1, -phi1, -phi2}, Variance: 1}
	x := ar2(n, rand.New(rand.NewPCG(5, 6)))
	gaps := []int{8, 9, 10, 11, 20, 22}
	if err := s.fillGaps(x, gaps); err != nil {
		t.Fatal(err)
	}
	for _, i := range gaps {
		z := 0.0
		for j := range x {
			z += inv.At(i, j) * x[j]
		}
		if math.Abs(z) > 1e-9 {
			t.Errorf("sample %d carries %g", i, z)
		}
	}
}

// The limits' formula against simulation: on noise that is exactly what the model says, the fitted
// scales must be one, for steps of 3 to 25 mm.
func TestNullScale(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a few seconds")
	}
	for _, step := range []float64{6.35, 25.4} {
		rng := rand.New(rand.NewPCG(3, 4))
		var rs [][]Trace
		for range 12 {
			var one []Trace
			for _, c := range []string{"A", "B", "C", "D"} {
				v := make([]float64, 2700)
				m := 0.0
				for i := range v {
					m = 0.844*m + 0.089*rng.NormFloat64()
					v[i] = 50 + 0.25*rng.NormFloat64() + m
				}
				one = append(one, Trace{Strip: c, Channel: c, PitchUM: 25400.0 / 300, Unit: Lightness, Values: v})
			}
			rs = append(rs, one)
		}
		b, err := Learn(Geometry{StepMM: step}, rs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range b.Channels {
			for k := range c.Null.Line {
				if v := c.Null.Line[k]; v < 0.96 || v > 1.06 {
					t.Errorf("step %v, channel %s, width %d: scale %.3f of repeating lines, want 1", step, c.Channel, k, v)
				}
				if v := c.Null.Single[k]; v < 0.95 || v > 1.06 {
					t.Errorf("step %v, channel %s, width %d: scale %.3f of single lines, want 1", step, c.Channel, k, v)
				}
			}
			if c.Whiteness > 0.05 {
				t.Errorf("channel %s: %.3f left after whitening", c.Channel, c.Whiteness)
			}
		}
	}
}

// One number: the chance of one normal value. Many: the limit for M places agrees with
// Phi^-1(1 - alpha/M), as the formula counts a line of length L in units of 2 pi / sqrt(lambda).
func TestLimitIsInTheTail(t *testing.T) {
	t.Parallel()
	one := field{points: 1}
	if p := one.chance(2.326347874); math.Abs(p-0.00995) > 1e-4 { // 1 - exp(-0.01)
		t.Errorf("chance %.5f", p)
	}
	f := lineField(2700, 0.09)
	for _, alpha := range []float64{0.05, 0.01, 0.001} {
		if u := f.limit(alpha); math.Abs(f.chance(u)-alpha) > 1e-9 {
			t.Errorf("limit %.4f of %.3f has chance %.6f", u, alpha, f.chance(u))
		}
	}
}

// Values of the formula as printed, worked out by hand for L = 100 cd/m2 and a field of 10 degrees:
// at 3.05 cycles per degree 5200*0.984/sqrt(8.39*7.27) = 655.
func TestContrastSensitivity(t *testing.T) {
	t.Parallel()
	if s := contrastSensitivity(3.05, 100, 10); math.Abs(s-655) > 7 {
		t.Errorf("sensitivity %.1f at 3.05 cycles per degree, by hand 655", s)
	}
	// The eye is best at 2 to 6 cycles per degree (common knowledge of vision science, no source).
	best, at := 0.0, 0.0
	for u := 0.2; u < 40; u *= 1.05 {
		if s := contrastSensitivity(u, 100, 10); s > best {
			best, at = s, u
		}
	}
	if at < 2 || at > 6 {
		t.Errorf("best at %.1f cycles per degree", at)
	}
	near, far := visibility(1, 60, 0.2, 6.35, 350, 100), visibility(1, 60, 0.2, 6.35, 1400, 100)
	if near <= far {
		t.Errorf("a fine line is no easier to see from near: %.2f at 350 mm, %.2f at 1400 mm", near, far)
	}
}

// For a neutral near L* = 50, CIEDE2000 of a pure lightness difference is that difference: S_L = 1
// (ISO/CIE 11664-6).
func TestInkModelNeutral(t *testing.T) {
	t.Parallel()
	dL, dE := NewInkModel("K").Difference(Lightness, 50, 100, -0.5)
	if math.Abs(dL-0.5) > 1e-9 || math.Abs(dE-0.5) > 0.01 {
		t.Errorf("dL %.4f, dE00 %.4f, want 0.5 both", dL, dE)
	}
	// Yellow lines show in colour, hardly in lightness.
	dL, dE = NewInkModel("Y").Difference(Density, 0.6, 0.05, -0.05)
	if dL < 0 || dE < 2*dL {
		t.Errorf("yellow: dL %.3f, dE00 %.3f", dL, dE)
	}
}

// The example of R's medpolish (P. F. Velleman and D. C. Hoaglin, ABC of EDA, 1981, "deaths"): overall 8,
// row effects 6 -1 0 2 -8, residuals' absolute sum 19; from memory, and easily worked by hand.
func TestMedianPolish(t *testing.T) {
	t.Parallel()
	rows, left := medianPolish([][]float64{{14, 15, 14}, {7, 4, 7}, {8, 2, 10}, {15, 9, 10}, {0, 2, 0}})
	for i, want := range []float64{6, -1, 0, 2, -8} {
		if rows[i] != want {
			t.Errorf("row %d: %v, want %v", i, rows[i], want)
		}
	}
	sum := 0.0
	for _, r := range left {
		for _, v := range r {
			sum += math.Abs(v)
		}
	}
	if sum != 19 {
		t.Errorf("absolute residuals %v, want 19", sum)
	}
}
