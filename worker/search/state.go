// Package search is where the search for driver settings is kept and carried on: charts and
// readings on one side, measure/aim and measure/settings on the other. The whole of a search is one
// State, a JSON document beside the shop's files: every print's colours and settings are in it, so
// nothing hangs on the files they came from. What is found is recorded by the worker, as a note.
package search

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/gofrs/flock"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/settings"
	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

// Schema names the document.
const Schema = "swathkeeper.search/1"

// State is one search.
type State struct {
	Schema  string            `json:"schema"`
	Started time.Time         `json:"started"`
	Site    string            `json:"site"`
	Printer string            `json:"printer"`
	Media   string            `json:"media"`
	Stage   string            `json:"stage"`
	Chart   *protocol.Chart   `json:"chart"`
	Sliders []settings.Slider `json:"sliders"`
	Aim     Aim               `json:"aim"`
	Prints  []Print           `json:"prints"`
	// Noise is what prints under the same settings differ by, where a baseline told it.
	Noise *Noise `json:"noise,omitempty"`
	// Worth is the gain in mean dE00 that is worth another print; 0 where the shop did not say.
	Worth float64 `json:"worth_de00,omitempty"`

	Next []float64 `json:"next,omitempty"` // what was proposed last
	// NextDE and NextSE are what was foretold of it.
	NextDE float64 `json:"next_de00,omitempty"`
	NextSE float64 `json:"next_de00_se,omitempty"`
	Kept   string  `json:"kept,omitempty"` // name of the preset it ended in
}

// Kinds of aims.
const (
	AimScreen = "screen" // the chart's sRGB values, as on a screen
	AimFile   = "file"   // wanted colours from a file
)

// Aim is what the chart should look like.
type Aim struct {
	Kind string `json:"kind"`
	Name string `json:"name,omitempty"` // of the file
	// Lab is the wanted colour of each patch of the layout, where Kind is AimFile; null for a patch
	// without one.
	Lab []*[3]float64 `json:"lab,omitempty"`
	// Mode, Media and Stage are what the colours were measured as and on, where the file says it.
	Mode  string `json:"mode,omitempty"`
	Media string `json:"media,omitempty"`
	Stage string `json:"stage,omitempty"`
	// Note says how it was read, where that needs saying.
	Note string `json:"note,omitempty"`
}

// Text names an aim for people.
func (a Aim) Text() string {
	if a.Kind == AimScreen {
		return "the screen's colours on this fabric"
	}
	return a.Name
}

// Notes say in what an aim's colours were measured otherwise than prints on media at stage are.
func (a Aim) Notes(media, stage string) []string {
	var out []string
	for _, x := range []struct{ what, of, here string }{{"media", a.Media, media}, {"stage", a.Stage, stage}} {
		if x.of != "" && x.of != x.here {
			out = append(out, fmt.Sprintf("%s was read on %s %s, the prints are on %s: what the two differ by is taken for the settings", a.Name, x.what, x.of, x.here))
		}
	}
	return out
}

// Noise is what prints under the same settings differ by, from print to print.
type Noise struct {
	// PrintPercent is the standard deviation of a channel's strength, PatchDE00 that of one patch
	// beyond it.
	PrintPercent float64 `json:"print_percent"`
	PatchDE00    float64 `json:"patch_de00"`
}

// Bounds of a noise that can be believed; outside them it is the baseline that was odd.
const (
	minPrintPercent, maxPrintPercent = 0.2, 5.0
	minPatchDE00, maxPatchDE00       = 0.1, 3.0
)

// NoiseOf takes the noise from a baseline.
func NoiseOf(b *judge.Baseline) (*Noise, error) {
	if b.Colour == nil {
		return nil, fmt.Errorf("baseline %s is of readings without patches", b.ID)
	}
	sum, n := 0.0, 0.0
	for _, f := range b.Colour.Factors {
		if f.Kind == drift.KindStrength {
			sum += f.SD * f.SD
			n++
		}
	}
	if n == 0 {
		return nil, fmt.Errorf("baseline %s holds no strengths of channels", b.ID)
	}
	cov := b.Colour.Noise // LL, LA, LB, AA, AB, BB
	return &Noise{
		PrintPercent: min(maxPrintPercent, max(minPrintPercent, math.Sqrt(sum/n))),
		PatchDE00:    min(maxPatchDE00, max(minPatchDE00, math.Sqrt(cov[0]+cov[3]+cov[5]))),
	}, nil
}

// Print is one print and its reading.
type Print struct {
	At      time.Time         `json:"at"`
	File    string            `json:"file"`
	Reading *protocol.Reading `json:"reading"`        // without its patches and traces, which Lab holds
	Values  []float64         `json:"values"`         // of the sliders, as printed
	Asked   bool              `json:"asked"`          // under the settings that were proposed
	Lab     []*[3]float64     `json:"lab"`            // in the layout's order; null where not read
	Good    bool              `json:"good,omitempty"` // a person looked at a doubted print and found it good
	// Foretold and ForetoldSE are what was foretold of it, where it was made as asked.
	Foretold   float64 `json:"foretold_de00,omitempty"`
	ForetoldSE float64 `json:"foretold_de00_se,omitempty"`
	// Aside says that a person set the print aside: it counts for nothing, and stays where it is.
	Aside bool `json:"aside,omitempty"`
	// Changes are what was changed of it since it was taken in, the oldest first.
	Changes []Change `json:"changes,omitempty"`
}

func labs(list []*[3]float64) (out []colour.Lab, missing []bool) {
	out, missing = make([]colour.Lab, len(list)), make([]bool, len(list))
	for p, v := range list {
		if v == nil {
			missing[p] = true
			continue
		}
		out[p] = colour.Lab{L: v[0], A: v[1], B: v[2]}
	}
	return out, missing
}

// maxState bounds what is read: 40 prints of a large chart take some 4 MB.
const maxState = 64 << 20

// Load reads a search. The error says what to do when there is none.
func Load(name string) (*State, error) {
	st, err := os.Stat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("no search is kept in %s; begin one with `swathkeeper settings start`, or name its file with --search", name)
	}
	if err != nil {
		return nil, err
	}
	if st.Size() > maxState {
		return nil, fmt.Errorf("%s: %d bytes are more than any search holds", name, st.Size())
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	var s State
	d := json.NewDecoder(bytes.NewReader(data))
	if err := d.Decode(&s); err != nil {
		return nil, fmt.Errorf("%s is damaged, or no search: %w", name, err)
	}
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return &s, nil
}

func (s *State) check() error {
	switch {
	case s.Schema != Schema:
		return fmt.Errorf("it is %q, not %s", s.Schema, Schema)
	case s.Chart == nil:
		return fmt.Errorf("it holds no chart")
	}
	if err := s.Chart.Validate(); err != nil {
		return fmt.Errorf("its chart: %w", err)
	}
	for _, sl := range s.Sliders {
		if err := sl.Check(); err != nil {
			return err
		}
	}
	n := len(s.Chart.Patches)
	if s.Aim.Kind != AimScreen && (s.Aim.Kind != AimFile || len(s.Aim.Lab) != n) {
		return fmt.Errorf("its aim is damaged")
	}
	for i, p := range s.Prints {
		if len(p.Values) != len(s.Sliders) || len(p.Lab) != n || p.Reading == nil {
			return fmt.Errorf("print %d is damaged", i+1)
		}
		for _, c := range p.Changes {
			if c.Values != nil && len(c.Values) != len(s.Sliders) {
				return fmt.Errorf("what was changed of print %d is damaged", i+1)
			}
		}
	}
	if s.Next != nil && len(s.Next) != len(s.Sliders) {
		return fmt.Errorf("the proposed settings are damaged")
	}
	return nil
}

// lockWait is how long a command waits for another that works on the same search.
const lockWait = 30 * time.Second

// Lock keeps others from changing the search kept in a file until release is called, so that of two
// prints told at once neither is lost. The lock is a file beside it, which is left there.
func Lock(ctx context.Context, name string) (release func(), err error) {
	ctx, cancel := context.WithTimeout(ctx, lockWait)
	defer cancel()
	l := flock.New(name+".lock", flock.SetPermissions(0o600))
	if ok, err := l.TryLockContext(ctx, 50*time.Millisecond); err != nil || !ok {
		if errors.Is(err, context.DeadlineExceeded) {
			return nil, fmt.Errorf("another command has been at work on %s for %s; try again when it is done", name, lockWait)
		}
		return nil, fmt.Errorf("%s cannot be locked: %w", name, err)
	}
	return func() { _ = l.Close() }, nil
}

// Save writes a search, whole or not at all.
func (s *State) Save(name string) error {
	data, err := json.Marshal(s)
	if err != nil {
		return err
	}
	tmp, err := os.CreateTemp(filepath.Dir(name), ".settings-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", name, err)
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(append(data, '\n'))
	if err == nil {
		err = tmp.Sync()
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return fmt.Errorf("%s cannot be written: %w", name, err)
	}
	return os.Rename(tmp.Name(), name)
}

// Slider finds a slider by its name.
func (s *State) Slider(name string) int {
	return slices.IndexFunc(s.Sliders, func(sl settings.Slider) bool { return sl.Name == name })
}
