package colour

import "math"

// The rotation term of CIEDE2000 is a bell over the mean hue, sin(60 exp(-((h - 275)/25)^2)) in
// degrees. As a function of the cosine of the distance from 275 it is smooth throughout, so that short
// polynomials give it to the last digits, at a third of the time of an arc tangent, an exponential and
// a sine. On each of these pieces it is the one of seventh degree through the Chebyshev points
// (L. N. Trefethen, Approximation Theory and Approximation Practice, 2013, chapter 4): each fills one
// line of a processor's cache.
const (
	bellPieces = 128
	bellDegree = 7
	bellReach  = 1.5 // from a cosine of 1 down to -0.5, which is 120 degrees off
)

var bells = fitBells()

// bell gives the rotation term's bell for the cosine, -0.5..1, of the distance from hue 275.
func bell(cosine float64) float64 {
	x := (1 - cosine) * (bellPieces / bellReach)
	i := max(0, min(int(x), bellPieces-1))
	c := &bells[i]
	t := 2*(x-float64(i)) - 1
	t2 := t * t
	return (c[0] + c[1]*t + (c[2]+c[3]*t)*t2) + ((c[4]+c[5]*t)+(c[6]+c[7]*t)*t2)*(t2*t2)
}

// bellAt is the formula itself, by 1 less the cosine.
func bellAt(u float64) float64 {
	w := 2 * math.Asin(math.Sqrt(max(0, u)/2)) * (180 / math.Pi / 25)
	return math.Sin(math.Pi / 3 * math.Exp(-w*w))
}

func fitBells() (out [bellPieces][bellDegree + 1]float64) {
	const n = bellDegree + 1
	for i := range out {
		// Chebyshev coefficients from the values at the points, then powers of t from those.
		var a [n]float64
		for k := range n {
			at := math.Pi * (float64(k) + 0.5) / n
			v := bellAt((float64(i) + (1+math.Cos(at))/2) * (bellReach / bellPieces))
			for j := range a {
				a[j] += 2.0 / n * v * math.Cos(float64(j)*at)
			}
		}
		a[0] /= 2
		before, now := [n]float64{1}, [n]float64{0, 1}
		for j, v := range a {
			for k, x := range before {
				out[i][k] += v * x
			}
			if j == bellDegree {
				break
			}
			next := [n]float64{}
			for k := range n {
				next[k] = -before[k]
				if k > 0 {
					next[k] += 2 * now[k-1]
				}
			}
			before, now = now, next
		}
	}
	return out
}
