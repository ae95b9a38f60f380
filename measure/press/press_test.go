package press

import (
	"math"
	"slices"
	"testing"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
)

// bench presses tiles of a made-up sheet.
type bench struct {
	shop  *madeup.Shop
	tints [][]float64
	parts parts
}

func newBench(t *testing.T, seed uint64, cfg madeup.Config) *bench {
	t.Helper()
	fields := tileFields(chart.DrivenInk, 4)
	c := &madeup.Chart{Channels: []string{"C", "M", "Y", "K"}, Driven: madeup.DrivenInk, Device: fields}
	b := &bench{}
	for k, f := range fields {
		c.IDs = append(c.IDs, string(rune('a'+k)))
		c.Row, c.Col = append(c.Row, k/tileCols+1), append(c.Col, k%tileCols+1)
		tints := make([]float64, len(f))
		for i, v := range f {
			tints[i] = v / 100
		}
		b.tints = append(b.tints, tints)
	}
	b.parts = partsOf(b.tints)
	cfg.Chart = c
	var err error
	if b.shop, err = madeup.NewShop(seed, cfg); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *bench) press(t *testing.T, day int, s Setting, exact bool) []colour.Lab {
	t.Helper()
	return b.pressed(t, day, s, exact, 0)
}

// pressed is press with the platen weaker by a share from one edge to the other.
func (b *bench) pressed(t *testing.T, day int, s Setting, exact bool, edge float64) []colour.Lab {
	t.Helper()
	set := b.shop.Config().Press
	f := madeup.Faults{PressEdge: edge, Press: madeup.Press{Celsius: s.Celsius - set.Celsius, Seconds: s.Seconds - set.Seconds}}
	r, err := b.shop.Exact(madeup.Pressed, f)
	if !exact {
		r, err = b.shop.Read(madeup.Occasion{Day: day, Print: int(s.Celsius*1000 + s.Seconds)}, f)
	}
	if err != nil {
		t.Fatal(err)
	}
	return slices.Clone(r.Lab)
}

// TestBestRegion: on made-up presses, whose physics is no quadratic, the setting that is named has
// nearly the most colour that any setting of the range gives without scorching, and the region
// named holds no setting that is far worse.
func TestBestRegion(t *testing.T) {
	for seed := range uint64(8) {
		b := newBench(t, seed, madeup.VariedConfig(seed+1))
		p, err := NewPlan(Range{180, 210}, Range{30, 70}, seed)
		if err != nil {
			t.Fatal(err)
		}
		var lab [][]colour.Lab
		for _, tile := range p.Tiles {
			lab = append(lab, b.press(t, 3, Setting{tile.Celsius, tile.Seconds}, false))
		}
		v, err := p.Judge(lab, b.tints)
		if err != nil {
			t.Fatal(err)
		}
		depth := func(s Setting) (float64, colour.Lab) {
			q := b.press(t, 0, s, true)
			bare := meanOf(q, b.parts.bare)
			return depthOf(q, b.parts.inked, bare), bare
		}
		_, mild := depth(Setting{180, 30})
		most := 0.0
		for c := 180.0; c <= 210; c += 5 {
			for s := 30.0; s <= 70; s += 5 {
				if d, bare := depth(Setting{c, s}); colour.DE2000(bare, mild) <= whiteLimit {
					most = max(most, d)
				}
			}
		}
		got, bare := depth(v.Best)
		if got < 0.965*most || colour.DE2000(bare, mild) > whiteLimit+0.6 {
			t.Errorf("shop %d: %+v gives depth %.2f of %.2f, white off by %.2f", seed, v.Best, got, most, colour.DE2000(bare, mild))
		}
		if v.Best.Celsius < v.Celsius.Low || v.Best.Celsius > v.Celsius.High || v.Best.Seconds < v.Seconds.Low || v.Best.Seconds > v.Seconds.High {
			t.Errorf("shop %d: the best %+v is outside its region %+v %+v", seed, v.Best, v.Celsius, v.Seconds)
		}
	}
}

// TestWhatTilesShow: on made-up presses a tile pressed far too little has lost more of its heavy
// overprints than of its single inks, as dye does that waits in the paper (common practice, no
// source), and the cast of its greys is told as it truly is; a tile whose platen was cold on one side is
// called uneven, and no other is.
func TestWhatTilesShow(t *testing.T) {
	for seed := range uint64(8) {
		b := newBench(t, seed, madeup.VariedConfig(seed+1))
		p, err := NewPlan(Range{180, 210}, Range{30, 70}, seed)
		if err != nil {
			t.Fatal(err)
		}
		var lab [][]colour.Lab
		least, spoilt := 0, 0
		for n, tile := range p.Tiles {
			if tile.Celsius == 180 && tile.Seconds == 30 {
				least = n
			}
			if tile.Celsius == 195 && tile.Seconds == 50 {
				spoilt = n
			}
			lab = append(lab, b.press(t, 3, Setting{tile.Celsius, tile.Seconds}, false))
		}
		v, err := p.Judge(lab, b.tints)
		if err != nil {
			t.Fatal(err)
		}
		if len(v.Uneven) > 0 {
			t.Errorf("shop %d: tiles %v are uneven, of none", seed, v.Uneven)
		}
		o := v.Outcomes[least]
		if o.Heavy >= o.Single || o.Single > 0.97 {
			t.Errorf("shop %d: the least pressed tile: %+v", seed, o)
		}
		here := meanOf(b.press(t, 0, Setting{o.Celsius, o.Seconds}, true), b.parts.grey)
		there := meanOf(b.press(t, 0, v.Best, true), b.parts.grey)
		if truth := math.Hypot(here.A-there.A, here.B-there.B); math.Abs(o.Cast-truth) > 0.6 || (o.Cast >= castLimit) != (o.Toward != "") {
			t.Errorf("shop %d: greys %.2f toward %q, truly %.2f", seed, o.Cast, o.Toward, truth)
		}
		at := p.Tiles[spoilt]
		lab[spoilt] = b.pressed(t, 3, Setting{at.Celsius, at.Seconds}, false, 0.6)
		if v, err = p.Judge(lab, b.tints); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(v.Uneven, []int{spoilt + 1}) {
			t.Errorf("shop %d: tiles %v are uneven, not %d: %.2f", seed, v.Uneven, spoilt+1, v.Outcomes[spoilt].Uneven)
		}
	}
}

// TestSurface: a surface that is a quadratic is found exactly.
func TestSurface(t *testing.T) {
	p, err := NewPlan(Range{190, 210}, Range{40, 60}, 1)
	if err != nil {
		t.Fatal(err)
	}
	f := func(s Setting) float64 {
		x, y := p.unit(s)
		return 50 - 3*(x-0.2)*(x-0.2) - 2*(y+0.1)*(y+0.1) + 0.5*x*y
	}
	at, se, err := p.fit(func(n int) float64 { return f(Setting{p.Tiles[n].Celsius, p.Tiles[n].Seconds}) })
	if err != nil {
		t.Fatal(err)
	}
	if s := (Setting{197, 52}); math.Abs(at(s)-f(s)) > 1e-9 || se > 1e-9 {
		t.Errorf("%.6f for %.6f, left %.2g", at(s), f(s), se)
	}
}

func TestPlan(t *testing.T) {
	p, err := NewPlan(Range{190, 210}, Range{40, 60}, 7)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[Setting]bool{}
	turns := make([]Tile, len(p.Tiles))
	for i, tile := range p.Tiles {
		if tile.Number != i+1 || tile.Turn < 1 || tile.Turn > 9 {
			t.Fatalf("tile %+v at place %d", tile, i)
		}
		seen[Setting{tile.Celsius, tile.Seconds}] = true
		turns[tile.Turn-1] = tile
	}
	if len(seen) != 9 {
		t.Errorf("%d settings on nine tiles", len(seen))
	}
	for i := 1; i < len(turns); i++ {
		if turns[i].Celsius < turns[i-1].Celsius {
			t.Errorf("the platen would have to cool between turns %d and %d", i, i+1)
		}
	}
	for _, bad := range [][2]Range{{{190, 300}, {40, 60}}, {{190, 191}, {40, 60}}, {{190, 210}, {60, 40}}, {{math.NaN(), 210}, {40, 60}}, {{190, 210}, {1, 60}}} {
		if _, err := NewPlan(bad[0], bad[1], 1); err == nil {
			t.Errorf("ranges %v are taken", bad)
		}
	}
	for driven, channels := range map[string][]string{chart.DrivenInk: {"C", "M", "Y", "K"}, chart.DrivenRGB: {"C", "M", "Y"}} {
		l, err := p.Sheet("press-test", driven, channels, true)
		if err != nil {
			t.Fatal(err)
		}
		other := *p // the same sheet, pressed otherwise
		other.Celsius.High++
		if o, err := other.Sheet("press-test", driven, channels, true); err != nil || o.Edition == l.Edition {
			t.Errorf("%s: two plans have one edition, %s (%v)", driven, l.Edition, err)
		}
		if len(l.Patches) != 216 {
			t.Errorf("%s: %d patches", driven, len(l.Patches))
		}
	}
	if _, err := p.Judge(make([][]colour.Lab, 8), nil); err == nil {
		t.Error("eight tiles are judged")
	}
}
