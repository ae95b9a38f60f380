package judge

import (
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// Chart is a layout as package drift knows it.
func Chart(c *protocol.Chart) drift.Chart { return driftChart(c) }

// Sample brings the patches of a reading into the layout's order; those that it does not have are
// marked missing.
func Sample(c *protocol.Chart, r *protocol.Reading) (drift.Sample, error) { return sample(c, r) }
