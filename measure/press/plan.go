// Package press lays out and judges a small designed experiment: which temperature and time of a
// heat press give the most colour without harming the goods. It drives nothing; a person presses.
package press

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"

	"swathkeeper/measure/chart"
)

// Range is what the operator allows, ends included.
type Range struct {
	Low, High float64
}

// Limits beyond which a wish is a slip of the hand. The operator's own range, and the makers'
// manuals of press, paper and goods, are what counts; sublimation presses run at 180 to 210 degrees
// for 30 to 60 s (common practice, no source).
const (
	MinCelsius, MaxCelsius = 120.0, 240.0
	MinSeconds, MaxSeconds = 5.0, 300.0
	Side                   = 3 // levels of each
)

// Tile is one piece of the sheet, pressed by itself.
type Tile struct {
	Number  int     `json:"number"` // 1 to 9, as printed: left to right, then down
	Celsius float64 `json:"celsius"`
	Seconds float64 `json:"seconds"`
	// Turn is when it is pressed, from 1. Temperatures rise from turn to turn, since a platen heats
	// up sooner than it cools; times come in random order.
	Turn int `json:"turn"`
}

// Plan is a full factorial of three temperatures and three times, each setting on one tile, tiles
// at random places so that a cold corner of the printer or the sheet is not taken for the press.
type Plan struct {
	Celsius Range  `json:"celsius"`
	Seconds Range  `json:"seconds"`
	Tiles   []Tile `json:"tiles"` // by number
}

// NewPlan makes a plan; seed draws its order. The error names the range that makes no sense.
func NewPlan(celsius, seconds Range, seed uint64) (*Plan, error) {
	for _, r := range []struct {
		name     string
		r        Range
		low, top float64
		least    float64
	}{{"temperature", celsius, MinCelsius, MaxCelsius, 4}, {"time", seconds, MinSeconds, MaxSeconds, 4}} {
		switch {
		case !(r.r.Low >= r.low && r.r.High <= r.top):
			return nil, fmt.Errorf("a %s of %g to %g is outside what any transfer is pressed with, %g to %g", r.name, r.r.Low, r.r.High, r.low, r.top)
		case r.r.High-r.r.Low < r.least:
			return nil, fmt.Errorf("the %ss %g to %g lie too close to tell apart; leave at least %g between them", r.name, r.r.Low, r.r.High, r.least)
		}
	}
	p := &Plan{Celsius: celsius, Seconds: seconds}
	rng := rand.New(rand.NewPCG(seed, 0x7072657373))
	place := rng.Perm(Side * Side)
	p.Tiles = make([]Tile, Side*Side)
	turn := 0
	for i := range Side {
		for _, j := range rng.Perm(Side) {
			turn++
			n := place[i*Side+j]
			p.Tiles[n] = Tile{Number: n + 1, Celsius: celsius.at(i), Seconds: seconds.at(j), Turn: turn}
		}
	}
	return p, nil
}

// at is level i of the range, in whole numbers: presses have no others.
func (r Range) at(i int) float64 { return math.Round(r.Low + (r.High-r.Low)*float64(i)/(Side-1)) }

// Geometry of the sheet, mm: nine tiles of 4 by 6 patches with room to cut between them, on A4.
const (
	tileCols, tileRows = 4, 6
	patchMM            = 11.0
	tileGapMM          = 12.0
	leftMM, topMM      = 20.0, 40.0
)

// Sheet is the layout to print: the same patches on every tile, named 1-A1 to 9-D6. Its edition is
// the plan's: readings of tiles that were pressed by another plan are of another edition.
func (p *Plan) Sheet(id, driven string, channels []string, mirrored bool) (*chart.Layout, error) {
	l := &chart.Layout{
		ID: id, Channels: slices.Clone(channels), Driven: driven, Mirrored: mirrored,
		SizeMM: [2]float64{210, 297}, FeedAxis: "y",
		Marks: []chart.Mark{{X: 12, Y: 30}, {X: 198, Y: 30}, {X: 12, Y: 287}, {X: 198, Y: 287}},
	}
	fields := tileFields(driven, len(channels))
	for n := range Side * Side {
		x := leftMM + float64(n%Side)*(tileCols*patchMM+tileGapMM)
		y := topMM + float64(n/Side)*(tileRows*patchMM+tileGapMM)
		for k, device := range fields {
			row, col := k/tileCols, k%tileCols
			l.Patches = append(l.Patches, chart.Patch{
				ID:  strconv.Itoa(n+1) + "-" + string(rune('A'+col)) + strconv.Itoa(row+1),
				Row: n/Side*tileRows + row + 1, Col: n%Side*tileCols + col + 1,
				X: x + float64(col)*patchMM, Y: y + float64(row)*patchMM, W: patchMM, H: patchMM,
				Device: device,
			})
		}
	}
	if err := l.SetEdition(); err != nil {
		return nil, err
	}
	pressed, err := json.Marshal(p)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(append([]byte(l.Edition), pressed...))
	l.Edition = hex.EncodeToString(sum[:4])
	return l, l.Validate()
}

// corners of a tile, and its bare middle: the same grey in all corners shows whether it was pressed
// evenly.
var corners, middle = []int{0, tileCols - 1, (tileRows - 1) * tileCols, tileRows*tileCols - 1}, []int{9, 14}

// tileFields are the 24 patches of a tile: bare goods, each channel full and half, what lies over
// each other, and greys, one of them in all corners.
func tileFields(driven string, channels int) [][]float64 {
	device := func(tints ...float64) []float64 {
		d := make([]float64, channels)
		copy(d, tints[:min(len(tints), channels)])
		if driven == chart.DrivenRGB {
			for i := range d {
				d[i] = math.Round(255 - 2.55*d[i])
			}
		}
		return d
	}
	var rest [][]float64
	for _, tint := range []float64{100, 50} {
		for c := range min(channels, 4) {
			t := make([]float64, channels)
			t[c] = tint
			rest = append(rest, device(t...))
		}
	}
	for _, t := range [][]float64{{100, 100}, {0, 100, 100}, {100, 0, 100}, {100, 100, 100}, {25, 20, 20}, {75, 65, 65}, {60, 50, 50, 100},
		{80, 80}, {0, 80, 80}, {80, 0, 80}, {30, 60, 10}, {10, 30, 60}, {60, 10, 30}, {100, 50, 50}} {
		if len(t) <= max(channels, 3) {
			rest = append(rest, device(t...))
		}
	}
	var out [][]float64
	for k := range tileCols * tileRows {
		switch {
		case slices.Contains(corners, k):
			out = append(out, device(50, 40, 40))
		case slices.Contains(middle, k) || len(rest) == 0:
			out = append(out, device())
		default:
			out, rest = append(out, rest[0]), rest[1:]
		}
	}
	return out
}
