// Package banding finds lines across a print: nozzles that do not fire, weak or crooked ones, and
// seams between feed steps.
//
// The fine path works on traces, that is on the density or lightness of uniform one-ink strips
// sampled along the paper feed every 0.04 to 0.2 mm. A nozzle fault leaves a line 0.05 to 0.5 mm wide
// at every feed step, so the chain is: remove the slow trend, whiten the noise with the spectrum of the
// shop's own good readings, correlate with the shape of a blurred line, add up all steps, and compare
// the largest value anywhere with what the largest value of a good reading is.
//
// The coarse path works on the patch grid, where a single line is averaged away; it can see that a
// whole group of nozzles is weak, and never more than that.
//
// The package knows no clock, no files and no messages. It never panics on bad input: a trace that
// cannot be used is left out and a [Warning] says so.
package banding
