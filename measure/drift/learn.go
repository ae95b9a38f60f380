package drift

import "errors"

// Learn makes a baseline from known-good readings in time order.
func Learn(chart Chart, samples []Sample, o Options) (*Baseline, error) {
	return nil, errors.New("not built yet")
}
