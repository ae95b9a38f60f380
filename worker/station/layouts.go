package station

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"swathkeeper/protocol"
	"swathkeeper/worker/limited"
)

// Layouts finds chart layouts for pictures: among files that were named, in a folder where earlier
// ones are kept, so that an outage of the bus holds up no scan, and at the bus.
type Layouts struct {
	Dir   string   // where fetched layouts are kept; empty: nowhere
	Near  []string // folders in which a layout may lie under the name that chart new gives it
	Fetch func(ctx context.Context, id, edition string) (*protocol.Chart, error)

	mu    sync.Mutex
	known map[string]*protocol.Chart
}

// Add makes a layout known that was named by its file.
func (l *Layouts) Add(c *protocol.Chart) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.known == nil {
		l.known = map[string]*protocol.Chart{}
	}
	l.known[protocol.ChartKey(c.ID, c.Edition)] = c
}

// Find gives the layout of an id and edition. The error wraps ErrNotNow when it may be found later.
func (l *Layouts) Find(ctx context.Context, id, edition string) (*protocol.Chart, error) {
	if !protocol.IsToken(id) || (edition != "" && !protocol.IsToken(edition)) {
		return nil, fmt.Errorf("%q, edition %q, is no name of a chart", id, edition)
	}
	key := protocol.ChartKey(id, edition)
	l.mu.Lock()
	c := l.known[key]
	l.mu.Unlock()
	if c != nil {
		return c, nil
	}
	for _, dir := range l.Near {
		name := filepath.Join(dir, key+".json")
		if _, err := os.Stat(name); err != nil {
			continue
		}
		c, err := ReadLayout(name, id)
		if err != nil {
			return nil, err
		}
		if c.Edition == edition {
			l.Add(c)
			return c, nil
		}
	}
	kept := filepath.Join(l.Dir, key+".json")
	if l.Dir != "" {
		if b, err := limited.Read(kept, limited.Large); err == nil {
			if c, err := protocol.DecodeChart(b); err == nil && c.ID == id && c.Edition == edition {
				l.Add(c)
				return c, nil
			}
		}
	}
	if l.Fetch == nil {
		return nil, fmt.Errorf("the layout of chart %s, edition %s, is not here: name its file with --layout", id, edition)
	}
	c, err := l.Fetch(ctx, id, edition)
	switch {
	case errors.Is(err, ErrDenied):
		return nil, fmt.Errorf("layouts at the bus: %w; grant it with `swathkeeper station grant --scans`, or name the layout's file with --layout", ErrDenied)
	case err != nil:
		return nil, fmt.Errorf("layout of chart %s, edition %s: %w", id, edition, err)
	case c == nil:
		return nil, fmt.Errorf("chart %s, edition %s, is not known to the worker: add its layout with `swathkeeper chart add`", id, edition)
	}
	l.Add(c)
	if l.Dir != "" {
		if b, err := protocol.Encode(c); err == nil && os.MkdirAll(l.Dir, 0o700) == nil {
			_ = writeSafe(kept, b) // without it the bus is asked again after a restart
		}
	}
	return c, nil
}

// isLayout tells whether a file is a chart's layout, by its ending and what it says it is.
func isLayout(path string) bool {
	if !strings.EqualFold(filepath.Ext(path), ".json") {
		return false
	}
	c, err := ReadLayout(path, "")
	return err == nil && c.Schema == protocol.SchemaChart
}

// beside is l for a picture that lies in a folder, where its layout may lie, too.
func (l *Layouts) beside(dir string) *Layouts {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := &Layouts{Dir: l.Dir, Near: append([]string{dir}, l.Near...), Fetch: l.Fetch, known: map[string]*protocol.Chart{}}
	maps.Copy(out.known, l.known)
	return out
}

// finder is Find for one picture: fill names the chart where the picture's code does not.
func (l *Layouts) finder(ctx context.Context, fill Fill) FindChart {
	return func(id, edition string) (*protocol.Chart, error) {
		named, namedEdition, layout, err := fill.chart()
		if id != "" {
			if named != "" && (named != id || namedEdition != "" && namedEdition != edition) {
				return nil, fmt.Errorf("the sheet's code says chart %s, edition %s, but %s was named", id, edition, strings.TrimSuffix(named+"."+namedEdition, "."))
			}
			if err == nil && layout != nil && layout.ID == id && layout.Edition == edition {
				return layout, nil
			}
			return l.Find(ctx, id, edition)
		}
		id, edition = named, namedEdition
		switch {
		case err != nil:
			return nil, err
		case layout != nil:
			return layout, nil
		case id == "":
			return nil, errors.New("nothing else says which chart it is: name it by --chart or in a sidecar")
		}
		return l.Find(ctx, id, edition)
	}
}
