package banding

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The wide filter gives the bits of the plain one, and the plain one what its formula says, for all lengths
// around those that are computed at a time. Nothing beside the outputs is written.
func TestFilterIsTheSameToTheBit(t *testing.T) {
	if !canFilterWide {
		t.Log("this processor has no wide registers: only the formula is looked at")
	}
	rng := rand.New(rand.NewPCG(8, 1))
	for n := range 70 {
		for _, taps := range []int{1, 2, 3, 24, 61} {
			pad := taps - 1 + rng.IntN(3)
			x := make([]float64, n+2*pad)
			for i := range x {
				x[i] = rng.NormFloat64() * math.Exp(3*rng.NormFloat64())
			}
			h := make([]float64, taps)
			for j := range h {
				h[j] = rng.NormFloat64()
			}
			if n > 0 && taps > 2 && n%10 == 9 {
				x[pad+n/2] = math.NaN() // a gap that was left in
			}
			const guard = 1234.5
			got, plain := make([]float64, n+1), make([]float64, n+1)
			got[n], plain[n] = guard, guard
			filterSymmetric(got[:n], x, pad, h)
			filterPlain(plain[:n], x, pad, h)
			for i := range n {
				want, size := h[0]*x[pad+i], 0.0
				for j := 1; j < taps; j++ {
					want += h[j] * (x[pad+i-j] + x[pad+i+j])
					size += math.Abs(h[j]) * (math.Abs(x[pad+i-j]) + math.Abs(x[pad+i+j]))
				}
				if got[i] != plain[i] && (got[i] == got[i] || plain[i] == plain[i]) {
					t.Fatalf("%d outputs, %d taps: output %d is %v, plainly %v", n, taps, i, got[i], plain[i])
				}
				if want == want && math.Abs(got[i]-want) > 1e-12*size {
					t.Fatalf("%d outputs, %d taps: output %d is %v, by the formula %v", n, taps, i, got[i], want)
				}
			}
			if got[n] != guard || plain[n] != guard {
				t.Fatalf("%d outputs, %d taps: what stands behind them was written", n, taps)
			}
		}
	}
}

// BenchmarkFilter is the filter over a trace of 2,700 samples, with as many coefficients as is usual.
func BenchmarkFilter(b *testing.B) {
	const pad = 64
	out, x, h := make([]float64, 2700), make([]float64, 2700+2*pad), make([]float64, 30)
	for i := range x {
		x[i] = float64(i % 7)
	}
	for j := range h {
		h[j] = 1 / float64(1+j)
	}
	b.Run("used", func(b *testing.B) {
		for b.Loop() {
			filterSymmetric(out, x, pad, h)
		}
	})
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			filterPlain(out, x, pad, h)
		}
	})
}
