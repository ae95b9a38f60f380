package scan

import (
	"fmt"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"

	"swathkeeper/measure/chart"
)

// reducer turns the pixels under patches and strips into numbers.
type reducer struct {
	p      *Picture
	l      *chart.Layout
	w      *warp
	e      *Encoding
	perMM  float64
	lut    [3][]float32 // linear light of a sample value
	pitch  float64      // of trace samples, mm
	feedX  bool         // the feed runs along x
	shades []shade      // what the white strips say about the lamp
}

func newReducer(p *Picture, l *chart.Layout, w *warp, e *Encoding, opt Options) *reducer {
	d := &reducer{p: p, l: l, w: w, e: e, perMM: w.t.scale(), feedX: l.FeedAxis == "x"}
	for c := range p.Channels {
		d.lut[c] = e.table(c, p.Bits)
	}
	d.pitch = 25.4 / 300
	if opt.PitchUM > 0 {
		d.pitch = opt.PitchUM / 1000
	}
	// A little coarser than the pixels is the least that gives every sample its share.
	d.pitch = max(d.pitch, 1/d.perMM)
	return d
}

func (d *reducer) run(r *Reading) {
	d.shades = d.readShades()
	if len(d.shades) == 0 && len(d.l.Strips) > 0 {
		r.warn("no white strip could be read; the lamp is taken as even")
	}
	if d.p.Channels == 3 {
		r.Patches = make([]PatchValue, len(d.l.Patches))
	} else if len(d.l.Patches) > 0 {
		r.warn("the picture is grey: traces are read, patch colours cannot be")
	}
	tasks, lost := d.traceTasks()
	// Neighbouring strips by core, then patches row by row.
	cores := min(runtime.GOMAXPROCS(0), len(tasks))
	const few = 16
	inParallel(cores+(len(r.Patches)+few-1)/few, func(i int) {
		if i < cores {
			d.read(tasks[i*len(tasks)/cores : (i+1)*len(tasks)/cores])
			return
		}
		from := (i - cores) * few
		for k := from; k < min(from+few, len(r.Patches)); k++ {
			r.Patches[k] = d.patch(d.l.Patches[k])
		}
	})
	r.Traces = make([]Trace, len(tasks))
	inParallel(len(tasks), func(i int) { r.Traces[i] = d.trace(tasks[i]) })
	d.doubts(r, lost)
}

// inParallel calls f for 0 to n-1 on all cores.
func inParallel(n int, f func(int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				f(i)
			}
		})
	}
	wg.Wait()
}

// doubts gathers clipped and dusty fields, and strips that could not be read, into warnings.
func (d *reducer) doubts(r *Reading, lost []string) {
	var dirtyStrips []string
	for _, t := range r.Traces {
		if t.Dusty > 0.03 {
			dirtyStrips = append(dirtyStrips, t.Strip)
		}
	}
	var clipped, dusty []string
	for _, p := range r.Patches {
		if p.Clipped > 0.01 {
			clipped = append(clipped, p.ID)
		}
		if p.Dusty > 0.05 {
			dusty = append(dusty, p.ID)
		}
	}
	say := func(ids []string, one, many string) {
		if len(ids) == 0 {
			return
		}
		shown := strings.Join(ids[:min(len(ids), 8)], ", ")
		if len(ids) > 8 {
			shown += fmt.Sprintf(" and %d more", len(ids)-8)
		}
		if len(ids) == 1 {
			r.warn(one, shown)
		} else {
			r.warn(many, shown)
		}
	}
	say(clipped, "patch %s is clipped: the scanner's exposure loses its colour", "patches %s are clipped: the scanner's exposure loses their colours")
	say(dusty, "patch %s has dirt on it; the dirty part is left out", "patches %s have dirt on them; the dirty parts are left out")
	say(lost, "strip %s is not wholly in the picture and gives no trace", "strips %s are not wholly in the picture and give no traces")
	say(dirtyStrips, "strip %s has dirt on it; the dirty part of its width is left out", "strips %s have dirt on them; the dirty parts of their width are left out")
}
