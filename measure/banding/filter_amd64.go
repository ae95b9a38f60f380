package banding

import "golang.org/x/sys/cpu"

// canFilterWide says that this processor, and the system on it, have AVX.
var canFilterWide = cpu.X86.HasAVX

// filterWide is filterPlain for n outputs, a multiple of wideOutputs that is not 0, with x at the centre of
// the first and taps coefficients, at least 1. It looks after no bounds.
//
//go:noescape
func filterWide(out, x *float64, n int, h *float64, taps int)
