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
	white []bool
}

func newBench(t *testing.T, seed uint64, cfg madeup.Config) *bench {
	t.Helper()
	fields := tileFields(chart.DrivenInk, 4)
	c := &madeup.Chart{Channels: []string{"C", "M", "Y", "K"}, Driven: madeup.DrivenInk, Device: fields}
	b := &bench{}
	for k, f := range fields {
		c.IDs = append(c.IDs, string(rune('a'+k)))
		sum := 0.0
		for _, v := range f {
			sum += v
		}
		b.white = append(b.white, sum == 0)
	}
	cfg.Chart = c
	var err error
	if b.shop, err = madeup.NewShop(seed, cfg); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *bench) press(t *testing.T, day int, s Setting, exact bool) []colour.Lab {
	t.Helper()
	set := b.shop.Config().Press
	f := madeup.Faults{Press: madeup.Press{Celsius: s.Celsius - set.Celsius, Seconds: s.Seconds - set.Seconds}}
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
		v, err := p.Judge(lab, b.white)
		if err != nil {
			t.Fatal(err)
		}
		depthOf := func(s Setting) (float64, colour.Lab) {
			q := b.press(t, 0, s, true)
			var bare colour.Lab
			n := 0.0
			for k, w := range b.white {
				if w {
					bare.L, bare.A, bare.B = bare.L+q[k].L, bare.A+q[k].A, bare.B+q[k].B
					n++
				}
			}
			bare = colour.Lab{L: bare.L / n, A: bare.A / n, B: bare.B / n}
			d := 0.0
			for k, w := range b.white {
				if !w {
					d += colour.DE76(q[k], bare) / (float64(len(q)) - n)
				}
			}
			return d, bare
		}
		_, mild := depthOf(Setting{180, 30})
		most := 0.0
		for c := 180.0; c <= 210; c += 5 {
			for s := 30.0; s <= 70; s += 5 {
				if d, bare := depthOf(Setting{c, s}); colour.DE2000(bare, mild) <= whiteLimit {
					most = max(most, d)
				}
			}
		}
		got, bare := depthOf(v.Best)
		if got < 0.965*most || colour.DE2000(bare, mild) > whiteLimit+0.6 {
			t.Errorf("shop %d: %+v gives depth %.2f of %.2f, white off by %.2f", seed, v.Best, got, most, colour.DE2000(bare, mild))
		}
		if v.Best.Celsius < v.Celsius.Low || v.Best.Celsius > v.Celsius.High || v.Best.Seconds < v.Seconds.Low || v.Best.Seconds > v.Seconds.High {
			t.Errorf("shop %d: the best %+v is outside its region %+v %+v", seed, v.Best, v.Celsius, v.Seconds)
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
	var all []Outcome
	for _, tile := range p.Tiles {
		all = append(all, Outcome{Tile: tile, Depth: f(Setting{tile.Celsius, tile.Seconds})})
	}
	at, se, err := p.fit(all, func(o Outcome) float64 { return o.Depth })
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
		l, err := Sheet("press-test", driven, channels, true)
		if err != nil {
			t.Fatal(err)
		}
		if len(l.Patches) != 216 {
			t.Errorf("%s: %d patches", driven, len(l.Patches))
		}
	}
	if _, err := p.Judge(make([][]colour.Lab, 8), nil); err == nil {
		t.Error("eight tiles are judged")
	}
}
