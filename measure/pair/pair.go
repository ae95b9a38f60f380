// Package pair finds which patch of one measurement is which patch of another.
//
// A wrong pairing is worse than none: where ids are numbered down the columns
// in one file and across the rows in the other, the mean colour of the chart
// agrees, every patch has a partner, and every difference is wrong. So a
// pairing is made only on evidence, and the result says on which; a position
// is evidence only when a person says so.
//
// The package knows plain lists of ids, names, device values and Lab; it reads
// no files and knows no charts.
package pair

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// Ways of pairing.
const (
	ByID       = "id"
	ByName     = "name"
	ByDevice   = "device"
	ByPosition = "position"
)

// DeviceTolerance is how far device values of one patch may differ, in points
// of tint: what rounding to whole percent, or to 0..255, makes.
const DeviceTolerance = 0.75

// Side is one of two lists of patches. All slices that are present have one
// entry for each patch.
type Side struct {
	Label    string       // for messages, for instance a file name
	ID       []string     // always; no two alike
	Name     []string     // optional; entries may be empty
	Channels []string     // names of the device channels; with Device
	Device   [][]float64  // optional; tints 0..100, or 0..255 when the channels are R, G, B
	Lab      [][3]float64 // optional; only to detect ids that are numbered another way
}

// Options ask for a way of pairing.
type Options struct {
	// By is one of the ways above; empty tries id, name and device, in this
	// order, and takes the first that the evidence allows.
	By string
}

// Result is a pairing.
type Result struct {
	A, B     []int  // the pairs: patch A[i] of one side is patch B[i] of the other
	By       string // id, name, device or position
	OnlyA    []int  // patches without a partner
	OnlyB    []int
	Warnings []string // what a person should know, one sentence each
}

// ErrNone is within the error when no way of pairing is left.
var ErrNone = errors.New("the patches cannot be paired")

// Match pairs two lists of patches. The error says why it cannot be done, and
// what would help.
func Match(a, b Side, o Options) (Result, error) {
	for _, s := range []Side{a, b} {
		if err := s.check(); err != nil {
			return Result{}, err
		}
	}
	switch o.By {
	case "":
		return automatic(a, b)
	case ByID:
		r := byID(a, b)
		if len(r.A) == 0 {
			return Result{}, none("%s and %s have no patch id in common", label(a), label(b))
		}
		if n := disagreeing(a, b, r); n > 0 {
			r.warn("%d of %d patches of the same id have other device values", n, len(r.A))
		}
		r.warn("%s", guess(transposed(a, b, r)))
		return r.finish(a, b), nil
	case ByName:
		return forced(a, b, byName, "name")
	case ByDevice:
		return forced(a, b, byDevice, "device")
	case ByPosition:
		return byPosition(a, b)
	}
	return Result{}, fmt.Errorf("pairing by %q is not known; it is id, name, device or position", o.By)
}

func none(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrNone, fmt.Sprintf(format, args...))
}

func label(s Side) string {
	if s.Label == "" {
		return "one side"
	}
	return s.Label
}

func (s Side) check() error {
	n := len(s.ID)
	if n == 0 {
		return none("%s has no patches", label(s))
	}
	if s.Name != nil && len(s.Name) != n || s.Device != nil && len(s.Device) != n || s.Lab != nil && len(s.Lab) != n {
		return fmt.Errorf("%s: lists of different length for %d patches", label(s), n)
	}
	seen := make(map[string]struct{}, n)
	for _, id := range s.ID {
		if _, twice := seen[id]; twice {
			return fmt.Errorf("%s: patch %q stands twice", label(s), id)
		}
		seen[id] = struct{}{}
	}
	for i, row := range s.Device {
		if len(row) != len(s.Device[0]) {
			return fmt.Errorf("%s: patch %q has %d device values, others have %d", label(s), s.ID[i], len(row), len(s.Device[0]))
		}
		for _, v := range row {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("%s: a device value of patch %q is no number", label(s), s.ID[i])
			}
		}
	}
	return nil
}

// warn adds a warning; an empty one is none.
func (r *Result) warn(format string, args ...any) {
	if s := fmt.Sprintf(format, args...); s != "" {
		r.Warnings = append(r.Warnings, s)
	}
}

// finish lists the patches without a partner and says how many.
func (r Result) finish(a, b Side) Result {
	r.OnlyA, r.OnlyB = rest(len(a.ID), r.A), rest(len(b.ID), r.B)
	for _, x := range []struct {
		s    Side
		only []int
	}{{a, r.OnlyA}, {b, r.OnlyB}} {
		if n := len(x.only); n > 0 {
			r.warn("%d of %d patches of %s have no partner: %s", n, len(x.s.ID), label(x.s), few(x.s.ID, x.only))
		}
	}
	return r
}

func rest(n int, used []int) []int {
	seen := make([]bool, n)
	for _, i := range used {
		seen[i] = true
	}
	var out []int
	for i, s := range seen {
		if !s {
			out = append(out, i)
		}
	}
	return out
}

func few(ids []string, at []int) string {
	var b strings.Builder
	for i, k := range at {
		if i == 5 {
			fmt.Fprintf(&b, " and %d more", len(at)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(ids[k])
	}
	return b.String()
}

// automatic takes the first way that the evidence allows.
func automatic(a, b Side) (Result, error) {
	smaller := min(len(a.ID), len(b.ID))
	comparable := deviceComparable(a, b)
	ids := byID(a, b)
	enough := 2*len(ids.A) >= smaller
	if enough && comparable {
		wrong := disagreeing(a, b, ids)
		if wrong == 0 {
			return ids.finish(a, b), nil
		}
		// The ids name other patches in the other file. What was printed
		// tells which is which.
		device, ambiguous := byDevice(a, b)
		if len(device.A) >= len(ids.A)-wrong && 2*len(device.A) >= smaller {
			how := "the ids are numbered another way"
			if g := numbering(a, b, device); g != "" {
				how = strings.NewReplacer("seem to be", "are", "seem numbered", "are numbered", "seems numbered", "is numbered").Replace(g)
			}
			device.warn("%d of %d patches of the same id have other device values: %s; paired by device values", wrong, len(ids.A), how)
			device.warn("%s", ambiguous)
			return device.finish(a, b), nil
		}
		if names, _ := byName(a, b); 2*len(names.A) >= smaller && disagreeing(a, b, names) == 0 {
			names.warn("%d of %d patches of the same id have other device values; paired by name", wrong, len(ids.A))
			return names.finish(a, b), nil
		}
		return Result{}, none("%d of %d patches of the same id have other device values (%s), and too few device values occur in both; are these two charts?",
			wrong, len(ids.A), example(a, b, ids))
	}
	if enough {
		t := transposed(a, b, ids)
		if t.found {
			return Result{}, none("%s; export both with device values, or in one order, or pair by id explicitly if the ids are right", guess(t))
		}
		ids.warn("%s", guess(t))
		if a.Device != nil && b.Device != nil {
			ids.warn("device values of %s and %s are of other channels and were not compared", label(a), label(b))
		}
		return ids.finish(a, b), nil
	}
	if names, note := byName(a, b); 2*len(names.A) >= smaller {
		if !comparable || disagreeing(a, b, names) == 0 {
			names.warn("few ids in common (%d); paired by name", len(ids.A))
			names.warn("%s", note)
			return names.finish(a, b), nil
		}
	}
	if comparable {
		if device, ambiguous := byDevice(a, b); 2*len(device.A) >= smaller {
			device.warn("few ids in common (%d); paired by device values", len(ids.A))
			device.warn("%s", ambiguous)
			return device.finish(a, b), nil
		}
	}
	hint := "if both list the patches in the same order, pair them by position"
	if len(a.ID) != len(b.ID) {
		hint = "are these readings of one chart?"
	}
	return Result{}, none("of %d and %d patches, %d ids occur in both, and neither names nor device values help; %s", len(a.ID), len(b.ID), len(ids.A), hint)
}

// forced pairs the one way that was asked for.
func forced(a, b Side, way func(a, b Side) (Result, string), name string) (Result, error) {
	if name == "device" && !deviceComparable(a, b) {
		return Result{}, none("%s and %s do not both have device values of the same channels", label(a), label(b))
	}
	r, note := way(a, b)
	if len(r.A) == 0 {
		return Result{}, none("%s and %s have no %s in common that is unique", label(a), label(b), name)
	}
	if name == "name" && deviceComparable(a, b) {
		if n := disagreeing(a, b, r); n > 0 {
			r.warn("%d of %d patches of the same name have other device values", n, len(r.A))
		}
	}
	r.warn("%s", note)
	return r.finish(a, b), nil
}

func byPosition(a, b Side) (Result, error) {
	if len(a.ID) != len(b.ID) {
		return Result{}, none("by position needs as many patches on both sides, there are %d and %d", len(a.ID), len(b.ID))
	}
	r := Result{By: ByPosition}
	same := 0
	for i := range a.ID {
		r.A, r.B = append(r.A, i), append(r.B, i)
		if a.ID[i] == b.ID[i] {
			same++
		}
	}
	if deviceComparable(a, b) {
		if n := disagreeing(a, b, r); n > 0 {
			return Result{}, none("by position, %d of %d patches have other device values (%s)", n, len(r.A), example(a, b, r))
		}
	}
	r.warn("paired by position, as asked; %d of %d ids agree", same, len(a.ID))
	return r, nil
}
