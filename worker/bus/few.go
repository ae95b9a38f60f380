package bus

import (
	"strings"
	"sync"
	"time"
)

// What strangers and holders of keys do wrong is logged, and each of them decides how often and in which
// words: neither may fill the disk with it.
const (
	fewAtOnce  = 100             // lines about one of them, at once
	fewEvery   = 6 * time.Second // and from then on
	fewWaits   = time.Minute     // before what was left out is summed up
	fewAtMost  = 1000            // of them are told apart
	fewLetters = 256             // of what they chose themselves
)

// few lets through some lines about each, and counts those that it does not.
type few struct {
	mu sync.Mutex
	by map[string]*allowance
}

type allowance struct {
	lines int // that may be written
	at    time.Time
	out   int // lines left out
	since time.Time
}

// others are all that there are too many of to be told apart.
const others = "others"

// allow says whether a line about somebody is to be written.
func (f *few) allow(who string, now time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.by == nil {
		f.by = map[string]*allowance{}
	}
	a := f.by[who]
	if a == nil && len(f.by) >= fewAtMost {
		who = others
		a = f.by[who]
	}
	if a == nil {
		a = &allowance{lines: fewAtOnce, at: now}
		f.by[who] = a
	}
	if more := int(now.Sub(a.at) / fewEvery); more > 0 {
		a.lines, a.at = min(a.lines+more, fewAtOnce), a.at.Add(time.Duration(more)*fewEvery)
	}
	if a.lines > 0 {
		a.lines--
		return true
	}
	if a.out++; a.out == 1 {
		a.since = now
	}
	return false
}

// left gives what was left out since a minute or longer, and forgets who has been quiet.
func (f *few) left(now time.Time) map[string]int {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out map[string]int
	for who, a := range f.by {
		switch {
		case a.out > 0 && now.Sub(a.since) >= fewWaits:
			if out == nil {
				out = map[string]int{}
			}
			out[who], a.out = a.out, 0
		case a.out == 0 && now.Sub(a.at) >= fewAtOnce*fewEvery:
			delete(f.by, who)
		}
	}
	return out
}

// clipped keeps of what somebody chose as much as helps whoever reads it.
func clipped(s string) string {
	if len(s) > fewLetters {
		s = s[:fewLetters] + "…"
	}
	return strings.ToValidUTF8(s, "?")
}
