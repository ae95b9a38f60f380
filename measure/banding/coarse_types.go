package banding

// Grid is what the coarse path looks at: the patches of a chart with what is left of their colour
// after the chart-wide factors are taken away. All slices have one entry per patch.
type Grid struct {
	// Row and Col are the patch's place, counted from 1, rows along the paper feed.
	Row []int
	Col []int
	// Channels names the columns of Sensitivity.
	Channels []string
	// Residual is the CIE L*a*b* difference, reading minus baseline, after chart-wide factors.
	Residual [][3]float64
	// Sensitivity[p][c] is d(Lab) / d ln(amount) of channel c at patch p: the colour change when the
	// channel prints e-fold more. Zero where the patch holds none of it.
	Sensitivity [][][3]float64
	// Noise is the standard deviation of one patch's L*, a* and b* residual, 0 to estimate it from
	// this grid.
	Noise [3]float64
	// RowMM is the feed coordinate of each row's centre, index 0 for row 1; optional.
	RowMM []float64
}

// RowFinding is a row, or a block of up to four rows, in which one channel prints weaker or stronger.
type RowFinding struct {
	Channel string `json:"channel"`
	// FirstRow and LastRow are counted from 1, inclusive.
	FirstRow int `json:"first_row"`
	LastRow  int `json:"last_row"`
	// FromMM and ToMM are the feed coordinates of the rows' centres, when known.
	FromMM float64 `json:"from_mm,omitempty"`
	ToMM   float64 `json:"to_mm,omitempty"`
	// StrengthPercent is the change of the channel's ink in these rows, negative = weaker.
	StrengthPercent   float64 `json:"strength_percent"`
	StrengthPercentSE float64 `json:"strength_percent_se"`
	// DE76 is the colour difference (CIE 1976) that the change makes, averaged over the patches of these
	// rows that hold the ink.
	DE76 float64 `json:"de76"`
	// Score is the standardised statistic, Limit the value it had to pass.
	Score float64 `json:"score"`
	Limit float64 `json:"limit"`
	// Confirmed says that the median polish, which assumes no distribution, agrees.
	Confirmed bool `json:"confirmed"`
}

// GridResult is the judgement of the patch grid.
type GridResult struct {
	Rows []RowFinding `json:"rows,omitempty"`
	// Gradient is the largest corner-to-corner change of lightness of the smooth surface that was
	// fitted first, in L*, when that surface is significant; else 0.
	Gradient float64 `json:"gradient,omitempty"`
	// Score is the largest statistic over all channels and blocks, Limit what it is compared with.
	Score    float64   `json:"score"`
	Limit    float64   `json:"limit"`
	Warnings []Warning `json:"warnings,omitempty"`
}
