package main

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// madeUpSoak is a soak of 30 minutes of which keeps bytes are kept of each of 100 readings a second, after
// a warm-up in which 10 MB fill.
func madeUpSoak(keeps, noise float64) (soakPlan, []sample) {
	p := soakPlan{Minutes: 30, Rate: 100, Window: 2 * time.Minute, Keep: 5 * time.Minute}
	rng := rand.New(rand.NewPCG(1, 2))
	at := time.Date(2026, 11, 25, 21, 0, 0, 0, time.UTC)
	all := []sample{{At: at, Phase: "begun"}, {At: at.Add(30 * time.Second), Phase: "idle", CPU: 0.1, Resident: 44e6}}
	for s := 2; s <= 1800; s += 2 {
		sent := 100 * s
		filled := 10e6 * (1 - math.Exp(-float64(s)/100))
		kept := 7e6 + filled + keeps*float64(sent) + noise*rng.NormFloat64()
		buffers := 8e6 * float64(2+rng.IntN(5))
		all = append(all, sample{At: at.Add(time.Duration(30+s) * time.Second), Phase: "load", Kept: kept, Blocks: buffers, Live: kept + buffers, Anonymous: 10e6 + 2*(kept+buffers), Resident: 43e6 + 2*(kept+buffers),
			Goroutines: 84, CPU: 0.1 + float64(s)/10, Folder: 500e6, Limit: 8900e6, Sent: sent, Verdicts: float64(sent)})
	}
	return p, all
}

func TestSoakTellsGrowth(t *testing.T) {
	for _, c := range []struct {
		keeps, noise float64
		want, own    string
	}{
		{0, 0.5e6, flat, flat},
		{130, 0.5e6, grows, grows}, // an id of each
		{32, 0.5e6, grows, flat},   // too little for memory as a whole
		{0, 60e6, notShown, notShown},
	} {
		p, all := madeUpSoak(c.keeps, c.noise)
		r, err := sumUp(p, all)
		if err != nil {
			t.Fatal(err)
		}
		if r.Kept.Verdict != c.want {
			t.Errorf("%g bytes kept of each reading, noise %g: %+v, want %s", c.keeps, c.noise, r.Kept, c.want)
		}
		if want := c.keeps * 360000 / 1e6; c.noise < 1e6 && math.Abs(r.Kept.PerHour-want) > 4*r.Kept.SE {
			t.Errorf("slope %+v, want %g", r.Kept, want)
		}
		if c.noise < 1e6 && r.Anonymous.Verdict != c.own {
			t.Errorf("%g bytes kept of each reading: own memory %+v, want %s", c.keeps, r.Anonymous, c.own)
		}
		if r.WarmUpMinutes < 9.9 || r.WarmUpMinutes > 10.1 || r.IdleMB != 44 || r.Disk.Verdict != flat || r.Goroutines.Verdict != flat {
			t.Errorf("%+v", r)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Error(err)
		}
	}
}

// TestSoakFromItsFile sums up a file that ends in the middle of a line, as that of a soak that was killed.
func TestSoakFromItsFile(t *testing.T) {
	p, all := madeUpSoak(0, 0.5e6)
	var text strings.Builder
	lines := json.NewEncoder(&text)
	if err := lines.Encode(p); err != nil {
		t.Fatal(err)
	}
	for _, s := range all[:len(all)*2/3] {
		if err := lines.Encode(s); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "soak.jsonl")
	if err := os.WriteFile(path, []byte(text.String()[:text.Len()-50]), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := readSoak(path)
	if err != nil {
		t.Fatal(err)
	}
	if r.CutShort == "" || r.Minutes < 19 || r.Minutes > 21 || r.Kept.Verdict == grows || !strings.Contains(r.text(), "CUT SHORT") {
		t.Errorf("%s", r.text())
	}
	// Cut short in its warm-up it says nothing of slopes.
	if r, err = sumUp(p, all[:100]); err != nil || r.Kept.Verdict != notShown || r.Anonymous.Verdict != notShown || r.Disk.Verdict != notShown {
		t.Errorf("%+v, %v", r, err)
	}
}

var keptForTest [][]byte

// TestHeldBy keeps 64 MB and finds them.
func TestHeldBy(t *testing.T) {
	runtime.GC()
	runtime.GC() // else what earlier tests held counts as held
	before, _ := heldBy()
	for range 64 {
		keptForTest = append(keptForTest, make([]byte, 1<<20))
	}
	runtime.GC()
	runtime.GC() // a profile is of the collection before the last
	after, _ := heldBy()
	keptForTest = nil
	if grown := (after - before) / (1 << 20); grown < 50 || grown > 80 {
		t.Errorf("64 MB more are seen as %.1f MB", grown)
	}
}
