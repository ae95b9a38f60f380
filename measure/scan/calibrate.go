package scan

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
)

// A Calibration takes one scanner's linear R, G, B to L*a*b* as a spectrophotometer measured it,
// for one kind of ink on one kind of goods: a polynomial in the cube roots, which are near even
// steps to the eye, so that the errors that the fit balances are near even too. Its fields are
// exported so that it can be kept as JSON.
type Calibration struct {
	Degree int          `json:"degree"` // of the polynomial, 1 to 3
	Terms  [][3]float64 `json:"terms"`  // one row for each monomial: its share in L*, a*, b*
	// N is the number of patches of the fit. Mean, P95 and Max are CIEDE2000 between the
	// spectrophotometer and what the calibration, fitted without the patch in question, gives for
	// it: the error to expect of a patch that was not in the fit.
	N    int     `json:"n"`
	Mean float64 `json:"mean_de00"`
	P95  float64 `json:"p95_de00"`
	Max  float64 `json:"max_de00"`
	// Encoding is how the picture's samples became light; a picture that says otherwise is not for
	// this calibration. Empty: not looked at.
	Encoding string `json:"encoding,omitzero"`
	// Name says for people which calibration it is.
	Name string `json:"name,omitzero"`
	// Worst is which patch of the fit, from 0, has the largest error.
	Worst int `json:"-"`
	// Lo and Hi bound the light that the fit has seen in each channel.
	Lo [3]float64 `json:"lo"`
	Hi [3]float64 `json:"hi"`
}

// monomials of cube roots up to a degree, the constant first.
func monomials(rgb [3]float64, degree int) []float64 {
	r, g, b := math.Cbrt(rgb[0]), math.Cbrt(rgb[1]), math.Cbrt(rgb[2])
	var out []float64
	for i := 0; i <= degree; i++ {
		for j := 0; i+j <= degree; j++ {
			for k := 0; i+j+k <= degree; k++ {
				out = append(out, math.Pow(r, float64(i))*math.Pow(g, float64(j))*math.Pow(b, float64(k)))
			}
		}
	}
	return out
}

// Calibrate fits scanner light to the L*a*b* of the same patches. Of the degrees for which there
// are at least three patches to each coefficient it takes the one with the least error for
// patches left out of the fit. It needs 20 patches or more, and refuses colours that are not
// finite or do not vary enough to fit by.
func Calibrate(rgb [][3]float64, lab []colour.Lab) (*Calibration, error) {
	if len(rgb) != len(lab) {
		return nil, fmt.Errorf("%d scanner colours for %d measured ones", len(rgb), len(lab))
	}
	if len(rgb) < 20 {
		return nil, fmt.Errorf("%d patches are too few to calibrate by; at least 20 are needed, and a whole chart is better", len(rgb))
	}
	for i := range rgb {
		if !lab[i].IsFinite() || math.IsNaN(rgb[i][0]+rgb[i][1]+rgb[i][2]) || slices.Max(rgb[i][:]) > 2 || slices.Min(rgb[i][:]) < 0 {
			return nil, fmt.Errorf("patch %d has scanner light %.3g and L*a*b* %v, which cannot be right", i+1, rgb[i], lab[i])
		}
	}
	var best *Calibration
	for degree := 1; degree <= 3; degree++ {
		if degree > 1 && 3*len(monomials([3]float64{}, degree)) > len(rgb) {
			break
		}
		c, err := calibrate(rgb, lab, degree)
		if err == nil && (best == nil || c.Mean < best.Mean) {
			best = c
		}
	}
	if best == nil {
		return nil, fmt.Errorf("the patches' colours are too much alike to calibrate by")
	}
	return best, nil
}

func calibrate(rgb [][3]float64, lab []colour.Lab, degree int) (*Calibration, error) {
	n, m := len(rgb), len(monomials([3]float64{}, degree))
	x, y := mat.NewDense(n, m, nil), mat.NewDense(n, 3, nil)
	c := &Calibration{Degree: degree, N: n, Lo: rgb[0], Hi: rgb[0]}
	for i := range rgb {
		x.SetRow(i, monomials(rgb[i], degree))
		y.SetRow(i, []float64{lab[i].L, lab[i].A, lab[i].B})
		for k, v := range rgb[i] {
			c.Lo[k], c.Hi[k] = min(c.Lo[k], v), max(c.Hi[k], v)
		}
	}
	// Normal equations with a ridge that is only felt where the patches say nothing.
	var xtx, xty, inv mat.Dense
	xtx.Mul(x.T(), x)
	for i := range m {
		xtx.Set(i, i, xtx.At(i, i)+1e-9*float64(n))
	}
	xty.Mul(x.T(), y)
	if err := inv.Inverse(&xtx); err != nil {
		if cond, ok := err.(mat.Condition); !ok || float64(cond) > 1e14 {
			return nil, err
		}
	}
	var w, hat mat.Dense
	w.Mul(&inv, &xty)
	hat.Mul(x, &inv)
	for i := range m {
		c.Terms = append(c.Terms, [3]float64{w.At(i, 0), w.At(i, 1), w.At(i, 2)})
	}
	errs := make([]float64, n)
	for i := range rgb {
		// The residual of a patch left out is the residual over 1 - its leverage.
		leverage := 0.0
		for k := range m {
			leverage += hat.At(i, k) * x.At(i, k)
		}
		f := c.Lab(rgb[i])
		k := 1 / max(1-leverage, 0.05)
		out := colour.Lab{L: lab[i].L + (f.L-lab[i].L)*k, A: lab[i].A + (f.A-lab[i].A)*k, B: lab[i].B + (f.B-lab[i].B)*k}
		errs[i] = colour.DE2000(out, lab[i])
		if errs[i] > errs[c.Worst] {
			c.Worst = i
		}
		c.Mean += errs[i] / float64(n)
	}
	slices.Sort(errs)
	c.P95, c.Max = errs[int(math.Ceil(0.95*float64(n)))-1], errs[n-1]
	if math.IsNaN(c.Mean) || math.IsInf(c.Mean, 0) {
		return nil, fmt.Errorf("the fit has no solution")
	}
	return c, nil
}

// Validate checks a calibration that was kept.
func (c *Calibration) Validate() error {
	if c.Degree < 1 || c.Degree > 3 || len(c.Terms) != len(monomials([3]float64{}, c.Degree)) {
		return fmt.Errorf("the calibration has degree %d and %d terms, which do not fit together", c.Degree, len(c.Terms))
	}
	for _, t := range c.Terms {
		for _, v := range t {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("the calibration holds a number that is not finite")
			}
		}
	}
	return nil
}

// Lab gives L*a*b* under D50 for linear scanner light, 0..1.
func (c *Calibration) Lab(rgb [3]float64) colour.Lab {
	var v [3]float64
	for i, m := range monomials(rgb, c.Degree) {
		for k := range v {
			v[k] += m * c.Terms[i][k]
		}
	}
	return colour.Lab{L: v[0], A: v[1], B: v[2]}
}

// Apply replaces the L*a*b* of a reading's patches by the calibrated ones and says so in its
// encoding. Patches outside the light that the fit has seen are named in a warning. A picture whose
// samples mean another light than those of the fit is left as it is, with a warning.
func (c *Calibration) Apply(r *Reading) {
	if len(r.Patches) == 0 {
		return // a grey picture
	}
	if c.Encoding != "" && c.Encoding != r.Encoding {
		r.warn("the calibration is not used: it was made with pictures of %s, this one has %s; keep the scanner's settings as they were, or calibrate again", c.Encoding, r.Encoding)
		return
	}
	outside := 0
	for i := range r.Patches {
		p := &r.Patches[i]
		for k, v := range p.RGB {
			if slack := 0.05 * (c.Hi[k] - c.Lo[k]); v < c.Lo[k]-slack || v > c.Hi[k]+slack {
				outside++
				break
			}
		}
		p.Lab = c.Lab(p.RGB)
	}
	name := c.Name
	if name == "" {
		name = "a calibration"
	}
	r.Encoding = fmt.Sprintf("%s by %d patches, mean error %.2f dE00", name, c.N, c.Mean)
	if outside > 0 {
		r.warn("%d patches are lighter or darker than anything the calibration has seen", outside)
	}
}
