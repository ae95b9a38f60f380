package chat

import (
	"bytes"
	"image"
	"image/png"
	"math"
	"testing"

	"swathkeeper/protocol"
)

func lineRecord(profile []float64) (*protocol.Record, protocol.Change) {
	c := raised(1)
	return &protocol.Record{Site: "quay", Printer: "heron", Verdict: &protocol.Verdict{
		Banding: &protocol.Banding{Channels: []protocol.BandingChannel{
			{Channel: "K", Score: 99, Profile: []float64{0, 0, 0}},
			{Channel: "C", Score: 8, Profile: profile, Lines: []protocol.Line{{Kind: "dropout", PeriodMM: 6.35}}},
		}},
		Colour: &protocol.Colour{Channels: []protocol.ColourChannel{{Channel: "C", StrengthPercent: -5.2}, {Channel: "M", StrengthPercent: 0.4}}},
	}}, c
}

// inked counts the pixels of about the given colour.
func inked(img image.Image, r, g, b uint32) (n int, rows map[int]bool) {
	rows = map[int]bool{}
	near := func(a, b uint32) bool { return max(a, b)-min(a, b) < 40 }
	for y := img.Bounds().Min.Y; y < img.Bounds().Max.Y; y++ {
		for x := img.Bounds().Min.X; x < img.Bounds().Max.X; x++ {
			pr, pg, pb, _ := img.At(x, y).RGBA()
			if near(pr>>8, r) && near(pg>>8, g) && near(pb>>8, b) {
				n++
				rows[y] = true
			}
		}
	}
	return n, rows
}

func TestPictureOfALine(t *testing.T) {
	profile := make([]float64, 75)
	for i := range profile {
		profile[i] = -0.05 * math.Exp(-math.Pow(float64(i-30)/2, 2))
	}
	rec, c := lineRecord(profile)
	raw := picture(rec, c)
	img, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	if s := img.Bounds().Size(); s.X != pictureWidth || s.Y != pictureHeight || len(raw) > 100<<10 {
		t.Errorf("%v, %d bytes", s, len(raw))
	}
	if n, rows := inked(img, 0, 150, 200); n < 200 || len(rows) < pictureHeight/3 {
		t.Errorf("the profile of cyan is not there: %d pixels in %d rows", n, len(rows))
	}
}

func TestPictureOfInks(t *testing.T) {
	rec, c := lineRecord(nil)
	c.Advice = protocol.AdviceInk
	img, err := png.Decode(bytes.NewReader(picture(rec, c)))
	if err != nil {
		t.Fatal(err)
	}
	cyan, _ := inked(img, 0, 150, 200)
	magenta, _ := inked(img, 200, 0, 110)
	// 5.2 % and 0.4 % are 13 to 1; edges of the bars cost some of that.
	if ratio := float64(cyan) / float64(magenta); ratio < 8 || ratio > 20 {
		t.Errorf("bars of %d and %d pixels", cyan, magenta)
	}
}

func TestNothingToDrawIsNoPicture(t *testing.T) {
	rec, c := lineRecord([]float64{1, math.NaN(), 2})
	if picture(rec, c) != nil {
		t.Error("drew what is no number")
	}
	rec, c = lineRecord([]float64{0, 1, 0})
	c.Change = protocol.ChangeCleared
	if picture(rec, c) != nil {
		t.Error("drew what is over")
	}
	if picture(&protocol.Record{}, raised(1)) != nil {
		t.Error("drew nothing")
	}
	c = raised(1)
	c.Advice = protocol.AdviceMedia
	if picture(rec, c) != nil {
		t.Error("drew the wrong thing")
	}
}
