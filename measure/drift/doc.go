// Package drift compares a reading of a printed chart with the shop's own baseline and says
// what changed, by how much, how sure that is, and whether it matters.
//
// A reading is explained by a few factors that every patch of the chart shares: each channel's
// strength, mid-tone and ink colour, the paper white, loss growing with ink load, and stray
// light in the instrument. Their signatures, the change of every patch for one unit of each,
// are taken from the baseline's own ramps and overprints. A reading's factors come from
// generalised least squares with robust weights, so a scratched patch is named and set aside
// instead of being taken for a weak ink.
//
// Two questions stay apart. Is it different from normal: limits from the spread of the
// baseline readings, honest about how few they are (Student's t and F, never the normal
// limit). Does it matter: the shop's tolerances. Only both together call for action.
//
// The package knows no clock, no files and no messages. What it stores is plain data with JSON
// tags; package cause turns its results into advice.
package drift
