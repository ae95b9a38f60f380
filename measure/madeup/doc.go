// Package madeup is a made-up print shop: a seeded printer with its inks, heat press, goods and
// measuring instrument, for the demo, for tests and for trials. What it prints is simulated, and
// whatever is shown with it must say so.
//
// # Colour
//
// A Shop prints one Chart. On its way to a reading each patch passes
//
//   - the driver: tints per ink, or R, G, B that a driver of the shop's own separates;
//   - the printer: each ink's strength on that day, dot gain, mottle;
//   - the press: the share of each dye that goes over grows with the dose (temperature, time,
//     pressure) and falls with the ink on the spot, unequally for the dyes (left out at Stage
//     Transfer, the paper before the press);
//   - the mixing of dyes on the goods: Kubelka-Munk, Neugebauer with Yule and Nielsen's
//     correction, additive densities, or a blend (type Mixing);
//   - the goods: a white with brightener, of that day;
//   - the instrument: stray light, scale, mode, noise of texture and bands.
//
// The result is a reflectance factor in 36 bands, and from it XYZ and L*a*b* under D50.
//
// Use it so:
//
//	cfg := madeup.DefaultConfig()             // or VariedConfig(n): other physics for each n
//	cfg.Wander.StrengthPercent = 0.5          // day-to-day standard deviation of each ink
//	shop, err := madeup.NewShop(17, cfg)
//	good, err := shop.Read(madeup.Occasion{Day: 3}, madeup.Faults{})
//	weak := madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -5}}}
//	bad, err := shop.Read(madeup.Occasion{Day: 4}, weak)
//
// Faults are given with each reading, so that they may come, grow and go. The noise of an
// Occasion does not depend on the Faults: the same Occasion with and without a fault differs
// by the fault alone. Shop.SizeFor finds the size of a fault for a wanted change of the chart;
// FaultKinds lists the ways to go wrong; Reading.Truth says what a detector should find.
//
// Everything follows from the seed. There is no clock, and the order in which readings are
// asked for changes nothing.
//
// # Definitions
//
// An ink's strength is that of a verdict: the percent by which its chart tints would have to
// be changed to give the same colours. At -5 % every tint prints as 0.95 of itself. For a chart
// driven by RGB faults are those of the inks behind the driver, which are not its channels.
//
// # What it does not know
//
// Patches are uniform: lines, seams and the weave as seen by a scanner are made elsewhere in
// this package. Nothing ages within a chart but WarmUpPercent and FadeRows. Sizes of noise and
// wander are estimates, as no repeat readings of dye-sublimation charts are published; the
// first real ones should replace them.
package madeup
