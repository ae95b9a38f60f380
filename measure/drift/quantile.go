package drift

// Quantile is the p-quantile of v, 0 <= p <= 1, with linear interpolation between order statistics
// (type 7 of Hyndman and Fan 1996). It reorders v.
func Quantile(v []float64, p float64) float64 { return quantile(v, p) }
