package pair_test

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"swathkeeper/measure/pair"
)

// labOnly is the first n patches of a published chart with ids of their own
// and nothing else that tells which is which.
func labOnly(s pair.Side, n int, id func(k int) string) pair.Side {
	out := pair.Side{Label: s.Label, Lab: s.Lab[:n]}
	for k := range n {
		out.ID = append(out.ID, id(k))
	}
	return out
}

func without(s pair.Side, at int) pair.Side {
	s.ID = append(append([]string(nil), s.ID[:at]...), s.ID[at+1:]...)
	s.Lab = append(append([][3]float64(nil), s.Lab[:at]...), s.Lab[at+1:]...)
	return s
}

// TestOtherNumberings: two published measurements of one chart (see
// testdata/charts/SOURCES.md), the ids of one renumbered in the ways in which
// programs number a chart. Without device values none may be paired silently.
func TestOtherNumberings(t *testing.T) {
	a, b := fogra(t, "FOGRA39L.txt"), fogra(t, "TR006.txt")
	plain := func(k int) string { return strconv.Itoa(k + 1) }
	padded := func(k int) string { return fmt.Sprintf("%04d", k+1) }
	prefixed := func(k int) string { return "P" + strconv.Itoa(k+1) }
	down := func(rows, cols int) func(int) int { // the patch stands in row k/cols, column k%cols
		return func(k int) int { return k%cols*rows + k/cols }
	}
	// 1,609 = 77 * 21 - 8: the last of 77 columns of 21 is short.
	ragged := func(k int) int {
		const rows, cols, last = 21, 77, 13
		col, row := k/rows, k%rows // a counts down
		if row <= last {
			return row*cols + col
		}
		return last*cols + (row-last)*(cols-1) + col
	}
	letters := func(k int) string { return fmt.Sprintf("%c%02d", 'A'+k/25, k%25+1) }
	lettersTurned := func(k int) string { return fmt.Sprintf("%c%02d", 'A'+k%25, k/25+1) }
	digitsFirst := func(k int) string { return fmt.Sprintf("%d-%c", k%25+1, 'A'+k/25) }
	digitsFirstTurned := func(k int) string { return fmt.Sprintf("%d-%c", k/25+1, 'A'+k%25) }
	by := func(id func(int) string, f func(int) int) func(int) string {
		return func(k int) string { return id(f(k)) }
	}
	for _, c := range []struct {
		name string
		a, b pair.Side
		says string
	}{
		{"zeros before the numbers", labOnly(a, 1617, padded), labOnly(b, 1617, by(padded, down(21, 77))), "down in one file and across in the other (21 by 77)"},
		{"a word before the numbers", labOnly(a, 1617, prefixed), labOnly(b, 1617, by(prefixed, down(49, 33))), "(49 by 33)"},
		{"a patch missing", labOnly(a, 1617, plain), without(labOnly(b, 1617, by(plain, down(21, 77))), 400), "(21 by 77)"},
		{"the last column short", labOnly(a, 1609, plain), labOnly(b, 1609, by(plain, ragged)), "(77 by 21)"},
		{"the last column short, sides exchanged", labOnly(b, 1609, by(plain, ragged)), labOnly(a, 1609, plain), "(77 by 21)"},
		{"from the other end", labOnly(a, 1617, plain), labOnly(b, 1617, by(plain, func(k int) int { return 1616 - k })), "from the other end"},
		{"to and fro", labOnly(a, 1617, plain), labOnly(b, 1617, by(plain, func(k int) int {
			if k/33%2 == 1 {
				return k/33*33 + 32 - k%33
			}
			return k
		})), "every other strip of 33"},
		{"letters and padded numbers", labOnly(a, 625, letters), labOnly(b, 625, lettersTurned), "letters of the ids"},
		{"numbers before letters", labOnly(a, 625, digitsFirst), labOnly(b, 625, digitsFirstTurned), "letters of the ids"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := pair.Match(c.a, c.b, pair.Options{})
			if !errors.Is(err, pair.ErrNone) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("by %s, %d pairs, %v", r.By, len(r.A), err)
			}
		})
	}
	t.Run("two charts with the same ids", func(t *testing.T) {
		r, err := pair.Match(labOnly(a, 700, plain), labOnly(pair.Side{Label: "other", Lab: b.Lab[900:]}, 700, plain), pair.Options{})
		if err != nil || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "one chart") {
			t.Errorf("%v, %q", err, r.Warnings)
		}
	})
}

// TestDriftIsNoNumbering: however far a chart has drifted, its ids are right.
func TestDriftIsNoNumbering(t *testing.T) {
	full := fogra(t, "FOGRA39L.txt")
	for name, drift := range map[string]func(v [3]float64) [3]float64{
		"all patches alike": func(v [3]float64) [3]float64 { return [3]float64{v[0] - 6, v[1] + 5, v[2] - 4} },
		"half the contrast": func(v [3]float64) [3]float64 { return [3]float64{50 + v[0]/2, v[1] / 2, v[2] / 2} },
		"an ink is out":     func(v [3]float64) [3]float64 { return [3]float64{v[0] + (100-v[0])*0.3, v[1] * 0.2, v[2]} },
	} {
		for _, n := range []int{24, 96, 400, 1617} {
			a := labOnly(full, n, strconv.Itoa)
			b := labOnly(full, n, strconv.Itoa)
			b.Lab = append([][3]float64(nil), b.Lab...)
			for i, v := range b.Lab {
				b.Lab[i] = drift(v)
			}
			r, err := pair.Match(a, b, pair.Options{})
			if err != nil || r.By != pair.ByID || len(r.A) != n {
				t.Errorf("%s, %d patches: by %s, %v", name, n, r.By, err)
			}
		}
	}
}

// TestNumberedInks: channels that are only numbered may be any inks, but never
// a driver's RGB, whose scale is another.
func TestNumberedInks(t *testing.T) {
	side := func(channels string, values ...float64) pair.Side {
		s := pair.Side{Channels: strings.Fields(channels)}
		for i, v := range values {
			s.ID = append(s.ID, strconv.Itoa(i))
			s.Device = append(s.Device, []float64{v, 0, 0})
		}
		return s
	}
	turned := side("ink-1 ink-2 ink-3", 60, 40, 20, 0)
	r, err := pair.Match(side("C M Y", 0, 20, 40, 60), turned, pair.Options{})
	if err != nil || r.By != pair.ByDevice || len(r.A) != 4 || r.B[0] != 3 {
		t.Errorf("inks: %v, %+v", err, r)
	}
	r, err = pair.Match(side("R G B", 0, 20, 40, 60), turned, pair.Options{})
	if err != nil || r.By != pair.ByID || !strings.Contains(strings.Join(r.Warnings, ""), "not compared") {
		t.Errorf("RGB: %v, %+v", err, r)
	}
}

// TestIDsPartlyAlike: A10 is written alike on both sides, A1 and A01 are not.
func TestIDsPartlyAlike(t *testing.T) {
	var a, b pair.Side
	for k := 1; k <= 20; k++ {
		a.ID, b.ID = append(a.ID, fmt.Sprintf("A%d", k)), append(b.ID, fmt.Sprintf("a%02d", k))
	}
	b.ID[19] = "A20"
	r, err := pair.Match(a, b, pair.Options{})
	if err != nil || len(r.A) != 20 || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "written differently (A1 and a01)") {
		t.Errorf("%v, %d pairs, %q", err, len(r.A), r.Warnings)
	}
}

// TestMarksBetweenNumbers: row and column are no running number.
func TestMarksBetweenNumbers(t *testing.T) {
	var a, b pair.Side
	for k := range 16 {
		a.ID, b.ID = append(a.ID, fmt.Sprintf("%d-%d", k/4+1, k%4+1)), append(b.ID, strconv.Itoa(k+10))
	}
	if r, err := pair.Match(a, b, pair.Options{}); !errors.Is(err, pair.ErrNone) {
		t.Errorf("by %s, %q", r.By, r.Warnings)
	}
	for k := range 16 {
		b.ID[k] = fmt.Sprintf("%02d_%02d", k/4+1, k%4+1)
	}
	if r, err := pair.Match(a, b, pair.Options{}); err != nil || len(r.A) != 16 {
		t.Errorf("%v, %d pairs", err, len(r.A))
	}
}

func BenchmarkOtherNumbering(b *testing.B) {
	t := &testing.T{}
	plain := func(k int) string { return strconv.Itoa(k + 1) }
	x := labOnly(fogra(t, "FOGRA39L.txt"), 1617, plain)
	y := labOnly(fogra(t, "FOGRA39L.txt"), 1617, func(k int) string { return plain(k * 5 % 1617) })
	for b.Loop() {
		_, _ = pair.Match(x, y, pair.Options{})
	}
}
