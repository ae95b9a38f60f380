package banding

import "errors"

var errNotYet = errors.New("banding: not built yet")

// Baseline is what a set of known-good readings says about the noise of the strips.
type Baseline struct {
	Version int `json:"version"`
}

// Detector judges readings. It is safe for concurrent use.
type Detector struct{}

// Learn makes a baseline from 1 or more known-good readings.
func Learn(geom Geometry, readings [][]Trace, opt Options) (*Baseline, error) { return nil, errNotYet }

// Prepare makes a detector from a baseline.
func (b *Baseline) Prepare() (*Detector, error) { return nil, errNotYet }

// WithinReading makes a detector that needs no baseline.
func WithinReading(geom Geometry, opt Options) (*Detector, error) { return nil, errNotYet }

// Judge judges the traces of one reading.
func (d *Detector) Judge(traces []Trace) (Result, error) { return Result{}, errNotYet }

// JudgeGrid looks for rows of the patch grid in which one channel is weak; alpha is the chance of a
// false alarm per good reading.
func JudgeGrid(g Grid, alpha float64) (GridResult, error) { return GridResult{}, errNotYet }
