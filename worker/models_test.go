package worker

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"swathkeeper/worker/judge"
)

// TestModelsStayInTheirBound: whatever comes, what is kept ready takes no more than the bound, the newest
// one is there, and what is not ready any more is not called usual.
func TestModelsStayInTheirBound(t *testing.T) {
	t.Parallel()
	c := newModels()
	c.most = 1000 * readyBytes
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range 2000 {
		digest := fmt.Sprint(rng.IntN(60))
		stored := 20 + rng.IntN(200)
		m := c.get(digest)
		if m == nil {
			m = &judge.Model{}
			c.keep(digest, m, stored)
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
		t.Errorf("%d are kept, want about %d", n, 1000/120)
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
	c.keep("large", &judge.Model{}, 5000)
	if c.get("large") == nil || len(c.ready) != 1 {
		t.Errorf("%d are kept beside one larger than the bound", len(c.ready)-1)
	}
}
