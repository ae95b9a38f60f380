package worker

import (
	"math"
	"runtime/debug"
	"sync"
	"time"

	"swathkeeper/worker/judge"
)

// models keeps baselines ready for judging, as many as fit into a part of the worker's memory. Which one
// goes when they do not fit is left to chance: where more conditions take turns than fit, turning out the
// one that has waited longest would turn out each just before it is needed. It is shared by all that judge
// in a worker.
type models struct {
	most int64 // bytes

	mu    sync.Mutex
	used  int64
	ready map[string]readyModel // by digest
	last  map[string]string     // the digest by which a series was judged last, "" for none, by site.printer.series
	bad   map[string]damage     // by digest

	layouts map[string]*judge.Baseline // one baseline for each layout, whose others share what they have alike
}

// damage is why a baseline could not be read, tried as often as an input is.
type damage struct {
	err  error
	seen time.Time
}

// damageKept is how long a baseline that could not be read is not tried again: each try holds up all that
// waits behind it.
const damageKept = time.Minute

// spoiled notes that a baseline cannot be read.
func (c *models) spoiled(digest string, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.bad == nil || len(c.bad) >= maxPrinters {
		c.bad = map[string]damage{}
	}
	c.bad[digest] = damage{err, time.Now()}
}

// damaged gives why a baseline could not be read a short while ago, nil where it could or was not tried.
func (c *models) damaged(digest string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	d, known := c.bad[digest]
	if !known || time.Since(d.seen) > damageKept {
		return nil
	}
	return &knownDamage{d.err}
}

// knownDamage is a baseline that has been tried often enough.
type knownDamage struct{ error }

func (d *knownDamage) Unwrap() error { return d.error }

type readyModel struct {
	model *judge.Model
	bytes int64
}

const (
	// readyBytes is how many bytes of memory a baseline takes that is ready, for each byte that it is
	// stored with, readyLeast what it takes besides, and ownLayout what it takes for each of those bytes where
	// it has its layout to itself: `trials scaling` measures them.
	readyBytes = 2
	readyLeast = 24 << 10
	ownLayout  = 1
	// plainBound is the bound where nobody has set a limit of memory.
	plainBound = 256 << 20
	leastBound = 32 << 20
)

// newModels takes half of the soft limit of memory as its bound: the rest is the bus's and what comes
// and goes with each reading.
func newModels() *models {
	most := int64(plainBound)
	if limit := debug.SetMemoryLimit(-1); limit < math.MaxInt64 {
		most = max(leastBound, limit/2)
	}
	return &models{most: most, ready: map[string]readyModel{}, last: map[string]string{}}
}

// get gives a baseline that is ready, else nil.
func (c *models) get(digest string) *judge.Model {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ready[digest].model
}

// keep keeps a baseline ready that was stored with so many bytes; shared says that it has its layout in
// common with others. The newest one is always kept.
func (c *models) keep(digest string, m *judge.Model, stored int, shared bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, known := c.ready[digest]; known {
		return // two parts made it ready at once
	}
	bytes := readyBytes*int64(stored) + readyLeast
	if !shared {
		bytes += ownLayout * int64(stored)
	}
	for other, r := range c.ready {
		if c.used+bytes <= c.most {
			break
		}
		delete(c.ready, other)
		c.used -= r.bytes
	}
	c.ready[digest] = readyModel{m, bytes}
	c.used += bytes
}

// layoutsShared bounds how many layouts are remembered for sharing.
const layoutsShared = 64

// share lets a baseline have its layout in common with those of other printers and conditions: it is a
// quarter of what a baseline takes, and a shop prints one chart, or two. It reports whether it did.
func (c *models) share(b *judge.Baseline) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	key := b.Chart.ID + "." + b.Chart.Edition
	if known := c.layouts[key]; known != nil && b.ShareLayout(known) {
		return true
	}
	if c.layouts == nil || len(c.layouts) >= layoutsShared {
		c.layouts = map[string]*judge.Baseline{}
	}
	c.layouts[key] = b.LayoutOnly()
	return false
}

// judgedBy notes the baseline by which a series was judged, "" for none.
func (c *models) judgedBy(site, printer, series, digest string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.last) >= maxPrinters {
		clear(c.last)
	}
	c.last[site+"."+printer+"."+series] = digest
}

// usual gives the baseline by which the readings of a series were judged last, nil for none; known is
// false where that is not known, or the baseline is not ready any more.
func (c *models) usual(site, printer, series string) (m *judge.Model, known bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	digest, known := c.last[site+"."+printer+"."+series]
	if digest == "" {
		return nil, known
	}
	m = c.ready[digest].model
	return m, m != nil
}
