// Package judge is where a reading meets its baseline: it turns a reading, the baseline of its
// series and the series' state into a verdict and the next state.
//
// It is pure. It reads no clock, keeps nothing between calls, and touches neither bus nor file;
// the worker and the judge command call it alike. Colour, lines and causes come from package
// measure; what is decided here is only how they are put together.
package judge
