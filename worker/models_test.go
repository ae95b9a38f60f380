package worker

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

// TestModelsStayInTheirBound: whatever comes, what is kept ready takes no more than the bound, the newest
// one is there, and what is not ready any more is not called usual.
func TestModelsStayInTheirBound(t *testing.T) {
	t.Parallel()
	c := newModels()
	c.most = 1000*readyBytes + 8*readyLeast // eight of about 120 each
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range 2000 {
		digest := fmt.Sprint(rng.IntN(60))
		stored := 20 + rng.IntN(200)
		m := c.get(digest)
		if m == nil {
			m = &judge.Model{}
			c.keep(digest, m, stored, true)
		}
		c.judgedBy("quay", "heron", digest, digest)
		var sum int64
		for _, r := range c.ready {
			sum += r.bytes
		}
		if sum != c.used || sum > c.most {
			t.Fatalf("after %d: %d bytes kept, %d counted, the bound is %d", i, sum, c.used, c.most)
		}
		if c.get(digest) != m {
			t.Fatalf("after %d: the newest is not ready", i)
		}
	}
	if n := len(c.ready); n < 4 || n > 20 {
		t.Errorf("%d are kept, want about %d", n, 8)
	}
	gone := 0
	for i := range 60 {
		digest := fmt.Sprint(i)
		m, known := c.usual("quay", "heron", digest)
		if known != (c.get(digest) != nil) || m != c.get(digest) {
			t.Errorf("series %s: usual says %v, and %v is ready", digest, known, c.get(digest) != nil)
		}
		if !known {
			gone++
		}
	}
	if gone < 40 {
		t.Errorf("%d of 60 are not ready any more; too few to have been tried", gone)
	}
	c.judgedBy("quay", "heron", "new", "")
	if m, known := c.usual("quay", "heron", "new"); m != nil || !known {
		t.Error("a series that was judged without a baseline is not known as such")
	}
	// One larger than the bound is kept alone.
	c.keep("large", &judge.Model{}, 500_000, false)
	if c.get("large") == nil || len(c.ready) != 1 {
		t.Errorf("%d are kept beside one larger than the bound", len(c.ready)-1)
	}
}

// TestLayoutsAreShared: baselines of one layout hold it in common once they are ready; those of another
// edition, or of one that was changed and kept its name, do not.
func TestLayoutsAreShared(t *testing.T) {
	t.Parallel()
	layout := func(edition string, patches ...string) *judge.Baseline {
		b := &judge.Baseline{Colour: &drift.Baseline{Chart: drift.Chart{IDs: patches, Driven: drift.DrivenInk}}}
		b.Chart = &protocol.Chart{ID: "strip", Edition: edition}
		for _, id := range patches {
			b.Chart.Patches = append(b.Chart.Patches, protocol.Patch{ID: id})
		}
		return b
	}
	c := newModels()
	first, second := layout("1", "a", "b"), layout("1", "a", "b")
	if c.share(first) || !c.share(second) {
		t.Error("the first of a layout is shared, or the second is not")
	}
	if first.Chart != second.Chart || &first.Colour.Chart.IDs[0] != &second.Colour.Chart.IDs[0] {
		t.Error("two of one layout hold it twice")
	}
	edition, changed := layout("2", "a", "b"), layout("1", "a", "c")
	if c.share(edition) || c.share(changed) {
		t.Error("another edition, or a changed layout, was taken for the same")
	}
	if edition.Chart.Edition != "2" || changed.Chart.Patches[1].ID != "c" || changed.Colour.Chart.IDs[1] != "c" {
		t.Error("a baseline was given another one's layout")
	}
	// What stands in the protocol alone is not enough: the judge's own layout must be alike too.
	odd := layout("2", "a", "b")
	odd.Colour.Chart.IDs[1] = "z"
	if c.share(odd) || odd.Colour.Chart.IDs[1] != "z" {
		t.Error("a baseline whose own layout differs was given another one's")
	}
	if len(first.Chart.Patches) != 2 || first.Chart.Patches[0].ID != "a" {
		t.Error("what the first one holds has changed")
	}
}
