package picture

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"

	"swathkeeper/protocol"
)

// sheet is a chart of rows by columns with a difference that grows to the right.
func sheet(rows, cols int) (*protocol.Chart, *protocol.Colour) {
	c := &protocol.Chart{ID: "pennant-cmyk"}
	v := &protocol.Colour{}
	for r := range rows {
		for k := range cols {
			c.Patches = append(c.Patches, protocol.Patch{
				ID: fmt.Sprintf("%c%d", 'A'+r, k+1), Row: r + 1, Col: k + 1,
				XMM: 14 + 9*float64(k), YMM: 18 + 9*float64(r), WMM: 8, HMM: 8,
			})
			v.PatchDE00 = append(v.PatchDE00, 3.6*float64(k)/float64(cols-1))
		}
	}
	v.MeanDE00, v.MaxDE00 = 1.8, 3.6
	return c, v
}

func drawn(t *testing.T, raw []byte, err error) image.Image {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if len(raw) > 150<<10 {
		t.Errorf("%d bytes are too many for a phone", len(raw))
	}
	if dir := os.Getenv("PICTURES"); dir != "" { // for looking at them
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(t.Name())+".png"), raw, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func lightness(c color.Color) float64 {
	g := color.GrayModel.Convert(c).(color.Gray)
	return float64(g.Y)
}

// Each patch's pixel must be as dark as its difference says: the picture is read back at the places
// that the layout gives, and lightness must fall with the difference.
func TestHeatIsDarkerWhereColoursMovedMore(t *testing.T) {
	c, v := sheet(12, 20)
	v.PatchDE00[25] = -1
	v.Outliers = []string{"C3"}
	raw, err := Heat("heron (quay): where colours moved", c, v)
	img := drawn(t, raw, err)
	if img.Bounds().Dx() != Width {
		t.Errorf("%v", img.Bounds())
	}
	// Scale and place, from the layout's own measures: 20 columns of 9 mm, the last without its gap.
	scale := float64(Width-2*heatEdge) / (19*9 + 8)
	at := func(row, col int) color.Color {
		x := float64(heatEdge) + scale*(9*float64(col)+4)
		y := float64(heatEdge+heatTitle+8) + scale*(9*float64(row)+4)
		return img.At(int(x), int(y))
	}
	last := 256.0
	for col := range 20 {
		got := lightness(at(5, col))
		if got >= last {
			t.Errorf("column %d is not darker than the one before: %.0f, %.0f", col+1, got, last)
		}
		last = got
	}
	if got := lightness(at(5, 0)); got < 230 {
		t.Errorf("no difference must be nearly white, is %.0f", got)
	}
	if got := lightness(at(5, 19)); got > 90 {
		t.Errorf("3.6 on a scale to 4 must be dark, is %.0f", got)
	}
	// The ring of C3 is blue, and only there.
	blue := 0
	box := image.Rectangle{}
	chart := int(float64(heatEdge+heatTitle+8) + scale*(11*9+8))
	for y := range chart {
		for x := range Width {
			r, g, b, _ := img.At(x, y).RGBA()
			if b>>8 > 150 && r>>8 < 60 && g>>8 < 110 {
				blue++
				box = box.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	if blue < 100 || float64(box.Dx()) > 8*scale+8 || float64(box.Dy()) > 8*scale+8 {
		t.Errorf("the ring: %d pixels in %v", blue, box)
	}
}

func TestHeatOfALargeChartAndOfNoPlaces(t *testing.T) {
	c, v := sheet(33, 30)
	v.Outliers = []string{"A1", "D7", "D8"}
	v.PatchDE00[40] = 8.8
	v.MaxDE00 = 8.8
	raw, err := Heat("heron (quay): where colours moved", c, v)
	if img := drawn(t, raw, err); img.Bounds().Dy() > mostHeight+200 {
		t.Errorf("%v", img.Bounds())
	}
	c, v = sheet(5, 7)
	for i := range c.Patches {
		c.Patches[i].WMM = 0
	}
	t.Run("rows", func(t *testing.T) {
		raw, err := Heat("heron (quay): where colours moved", c, v)
		drawn(t, raw, err)
	})
	for i := range c.Patches {
		c.Patches[i].Row = 0
	}
	t.Run("no-places", func(t *testing.T) {
		raw, err := Heat("heron (quay): where colours moved", c, v)
		drawn(t, raw, err)
	})
}

func TestNothingToDraw(t *testing.T) {
	c, v := sheet(2, 2)
	for name, f := range map[string]func() ([]byte, error){
		"no chart":    func() ([]byte, error) { return Heat("", nil, v) },
		"no colour":   func() ([]byte, error) { return Heat("", c, nil) },
		"other chart": func() ([]byte, error) { return Heat("", c, &protocol.Colour{PatchDE00: []float64{1}}) },
		"not a number": func() ([]byte, error) {
			return Heat("", c, &protocol.Colour{PatchDE00: []float64{1, 2, 3, math.NaN()}})
		},
		"no profile": func() ([]byte, error) { return Profile("", nil) },
		"odd profile": func() ([]byte, error) {
			return Profile("", &protocol.BandingChannel{Profile: []float64{1, math.Inf(1)}})
		},
		"no inks": func() ([]byte, error) { return Inks("", &protocol.Colour{}) },
		"ink not there": func() ([]byte, error) {
			return Inks("", &protocol.Colour{Channels: []protocol.ColourChannel{{StrengthPercent: math.NaN()}}})
		},
	} {
		if raw, err := f(); err != ErrNothing || raw != nil {
			t.Errorf("%s: %d bytes, %v", name, len(raw), err)
		}
	}
}

func TestProfileAndInks(t *testing.T) {
	profile := make([]float64, 75)
	for i := range profile {
		profile[i] = -0.05 * math.Exp(-math.Pow(float64(i-30)/2, 2))
	}
	t.Run("profile", func(t *testing.T) {
		raw, err := Profile("heron (quay): cyan over one paper step", &protocol.BandingChannel{Channel: "C", Profile: profile, Lines: []protocol.Line{{PeriodMM: 6.35}}})
		drawn(t, raw, err)
	})
	t.Run("inks", func(t *testing.T) {
		raw, err := Inks("heron (quay): inks against the baseline", &protocol.Colour{Channels: []protocol.ColourChannel{{Channel: "C", StrengthPercent: -5.2}, {Channel: "fluorescent", StrengthPercent: 0.4}}})
		drawn(t, raw, err)
	})
}
