package drift

import "errors"

// Model is a baseline prepared for fast judging. It may be used by several goroutines at once.
type Model struct {
	b *Baseline
}

// Prepare makes the model of a baseline.
func (b *Baseline) Prepare() (*Model, error) { return &Model{b: b}, nil }

// Judge compares one reading with the baseline and returns the state for the next one. An
// error of type *UnusableError says why nothing may be concluded; the state is then unchanged.
func (m *Model) Judge(s Sample, st State) (Result, State, error) {
	return Result{}, st, errors.New("not built yet")
}
