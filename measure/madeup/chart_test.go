package madeup

import (
	"fmt"
	"testing"
)

func TestCharts(t *testing.T) {
	for name, c := range map[string]struct {
		chart         *Chart
		n, whites     int
		rampsPerInk   int
		house, inRows int
	}{
		"CMYK":  {CMYKChart(), 360, 8, 10, 6, 20},
		"light": {LightChart(), 400, 8, 10, 0, 20},
		"RGB":   {RGBChart(), 320, 8, 10, 6, 20},
	} {
		ch := c.chart
		if err := ch.validate(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if len(ch.IDs) != c.n || ch.Rows() != c.inRows {
			t.Errorf("%s: %d patches in %d rows", name, len(ch.IDs), ch.Rows())
		}
		ids, places, whites, house := map[string]bool{}, map[[2]int]bool{}, 0, 0
		rows := map[string][]int{} // rows of each single-channel tint
		for p, id := range ch.IDs {
			if at := [2]int{ch.Row[p], ch.Col[p]}; ids[id] || places[at] {
				t.Errorf("%s: patch %s at %v twice", name, id, at)
			} else {
				ids[id], places[at] = true, true
			}
			if ch.House[p] != "" {
				house++
			}
			inked, at := 0, 0
			for i := range ch.Channels {
				if ch.tint(p, i) > 0 {
					inked, at = inked+1, i
				}
			}
			if inked == 0 {
				whites++
			}
			if inked == 1 {
				key := fmt.Sprintf("%s %.2f", ch.Channels[at], ch.tint(p, at))
				rows[key] = append(rows[key], ch.Row[p])
			}
		}
		if whites < c.whites || house != c.house {
			t.Errorf("%s: %d white patches, %d house patches", name, whites, house)
		}
		twice := map[string]int{}
		for key, at := range rows {
			up, down := false, false
			for _, r := range at {
				up, down = up || r <= c.inRows/2, down || r > c.inRows/2
			}
			if up && down {
				twice[key[:2]]++
			}
		}
		if len(twice) < len(ch.Channels) && name != "light" { // LC and LM share their first letters
			t.Errorf("%s: ramps in both halves: %v", name, twice)
		}
		for ink, n := range twice {
			if n < c.rampsPerInk-1 {
				t.Errorf("%s: %d steps of %s stand in both halves", name, n, ink)
			}
		}
	}
}

func TestChartsAreFixed(t *testing.T) {
	a, b := CMYKChart(), CMYKChart()
	if fmt.Sprint(*a) != fmt.Sprint(*b) {
		t.Error("two calls give two charts")
	}
}
