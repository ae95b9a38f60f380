package banding

// filterSymmetric computes out[i] = h[0] x[pad+i] + sum h[j] (x[pad+i-j] + x[pad+i+j]). It is a quarter of a
// judgement: where the processor has wider registers as many outputs as fit are computed by those, with the
// same operations in the same order, hence to the same bit.
func filterSymmetric(out, x []float64, pad int, h []float64) {
	done := 0
	if wide := len(out) / wideOutputs * wideOutputs; wide > 0 && canFilterWide {
		_, _ = x[pad-len(h)+1], x[pad+wide+len(h)-2] // the first and the last that are read
		filterWide(&out[0], &x[pad], wide, &h[0], len(h))
		done = wide
	}
	filterPlain(out[done:], x, pad+done, h)
}

// wideOutputs is how many outputs filterWide computes at a time.
const wideOutputs = 16

// filterPlain computes eight outputs at a time: they share the coefficients and the loop.
func filterPlain(out, x []float64, pad int, h []float64) {
	n := len(out)
	i := 0
	for ; i+8 <= n; i += 8 {
		c := (*[8]float64)(x[pad+i:])
		k := h[0]
		s0, s1, s2, s3 := k*c[0], k*c[1], k*c[2], k*c[3]
		s4, s5, s6, s7 := k*c[4], k*c[5], k*c[6], k*c[7]
		for j := 1; j < len(h); j++ {
			k := h[j]
			a := (*[8]float64)(x[pad+i-j:])
			b := (*[8]float64)(x[pad+i+j:])
			s0 += k * (a[0] + b[0])
			s1 += k * (a[1] + b[1])
			s2 += k * (a[2] + b[2])
			s3 += k * (a[3] + b[3])
			s4 += k * (a[4] + b[4])
			s5 += k * (a[5] + b[5])
			s6 += k * (a[6] + b[6])
			s7 += k * (a[7] + b[7])
		}
		o := (*[8]float64)(out[i:])
		o[0], o[1], o[2], o[3], o[4], o[5], o[6], o[7] = s0, s1, s2, s3, s4, s5, s6, s7
	}
	for ; i < n; i++ {
		s := h[0] * x[pad+i]
		for j := 1; j < len(h); j++ {
			s += h[j] * (x[pad+i-j] + x[pad+i+j])
		}
		out[i] = s
	}
}
