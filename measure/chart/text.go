package chart

import (
	"fmt"
	"sync"

	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Words are drawn as outlines, so that no program between here and the printer can replace
// the font, and the same shapes go to every format.
var face = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(gomedium.TTF) })

// outline gives the contours of a line of text with an em of 1, baseline at y = 0, y down, and
// its width.
func outline(text string) ([]contour, float64, error) {
	f, err := face()
	if err != nil {
		return nil, 0, err
	}
	var buf sfnt.Buffer
	const em = 2048
	ppem := fixed.I(em)
	x := 0.0
	var out []contour
	for _, r := range text {
		g, err := f.GlyphIndex(&buf, r)
		if err != nil {
			return nil, 0, err
		}
		segs, err := f.LoadGlyph(&buf, g, ppem, nil)
		if err != nil {
			return nil, 0, fmt.Errorf("letter %q: %w", r, err)
		}
		at := func(p fixed.Point26_6) point {
			return point{x + float64(p.X)/64/em, float64(p.Y) / 64 / em}
		}
		var now point
		for _, s := range segs {
			switch s.Op {
			case sfnt.SegmentOpMoveTo:
				now = at(s.Args[0])
				out = append(out, contour{start: now})
				continue
			case sfnt.SegmentOpLineTo:
				now = at(s.Args[0])
				out[len(out)-1].segs = append(out[len(out)-1].segs, segment{pts: [3]point{now, now, now}, line: true})
			case sfnt.SegmentOpQuadTo:
				c, e := at(s.Args[0]), at(s.Args[1])
				third := func(a point) point { return point{a.x + 2*(c.x-a.x)/3, a.y + 2*(c.y-a.y)/3} }
				out[len(out)-1].segs = append(out[len(out)-1].segs, segment{pts: [3]point{third(now), third(e), e}})
				now = e
			case sfnt.SegmentOpCubeTo:
				now = at(s.Args[2])
				out[len(out)-1].segs = append(out[len(out)-1].segs, segment{pts: [3]point{at(s.Args[0]), at(s.Args[1]), now}})
			}
		}
		adv, err := f.GlyphAdvance(&buf, g, ppem, 0)
		if err != nil {
			return nil, 0, err
		}
		x += float64(adv) / 64 / em
	}
	return out, x, nil
}
