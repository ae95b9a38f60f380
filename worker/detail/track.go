package detail

import (
	"context"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/history"
)

// Track is one figure of a series from reading to reading: what a control chart shows.
type Track struct {
	Kind    string  `json:"kind"` // strength, tone, hue, white, load, ..., mean, p95, lines
	Channel string  `json:"channel,omitempty"`
	Unit    string  `json:"unit"`
	Sided   bool    `json:"-"` // it may lie on both sides of 0; else it is never below
	Points  []Point `json:"points"`
}

// Point is one reading on a track.
type Point struct {
	At    time.Time `json:"at"`
	Value float64   `json:"value"`
	// Limit is what is usual for this printer by its baseline, on both sides of 0; 0: no limit.
	Limit float64 `json:"limit,omitempty"`
	// Tolerance is what mattered to the shop then, on both sides of 0; 0: no tolerance, or not known.
	Tolerance float64 `json:"tolerance,omitempty"`
}

// Now is the newest point.
func (t *Track) Now() Point { return t.Points[len(t.Points)-1] }

// Beyond says that a point is outside its limit.
func (p Point) Beyond() bool { return p.Limit > 0 && (p.Value > p.Limit || p.Value < -p.Limit) }

// Name says in words what a track shows.
func (t *Track) Name() string { return trackName(t.Kind, t.Channel) }

// trackLength is how many readings a control chart shows.
const trackLength = 40

// TracksOf gives the control charts of a verdict's series up to that verdict. Readings that came
// late, and those of before the baseline in force, are left out: they were held against another
// mean. tol is in force for all of them; nil: it is not known.
func TracksOf(ctx context.Context, js jetstream.JetStream, v *protocol.Verdict, tol *drift.Tolerances) ([]Track, error) {
	var past []*protocol.Verdict
	// The store is in the order of time: look further back only when there is too little.
	for _, days := range []int{14, 60, 400} {
		past = past[:0]
		q := history.Query{Site: v.Site, Printer: v.Printer, Kind: protocol.KindVerdict, Series: v.Series,
			Since: v.At.AddDate(0, 0, -days), Until: v.At.Add(time.Nanosecond), Last: 2 * trackLength}
		err := history.Read(ctx, js, q, func(e history.Entry) error {
			if w := e.Record.Verdict; w != nil && (!w.Late || w.ID == v.ID) && w.Baseline.ID == v.Baseline.ID {
				past = append(past, w)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
		if len(past) >= trackLength {
			break
		}
	}
	return Tracks(past[max(0, len(past)-trackLength):], func(*protocol.Verdict) *drift.Tolerances { return tol }), nil
}

// Tracks gives the control charts of verdicts of one series, oldest first. tolerances gives those in
// force for a verdict; nil where they are not known.
func Tracks(verdicts []*protocol.Verdict, tolerances func(*protocol.Verdict) *drift.Tolerances) []Track {
	var tol map[string]float64
	var out []Track
	at := map[[2]string]int{}
	add := func(v *protocol.Verdict, kind, channel, unit string, sided bool, value, limit float64) {
		key := [2]string{kind, channel}
		i, ok := at[key]
		if !ok {
			i = len(out)
			at[key] = i
			out = append(out, Track{Kind: kind, Channel: channel, Unit: unit, Sided: sided})
		}
		out[i].Points = append(out[i].Points, Point{At: v.At, Value: value, Limit: limit, Tolerance: tol[kind]})
	}
	for _, v := range verdicts {
		tol = nil
		if c := v.Colour; c != nil {
			if t := tolerances(v); t != nil {
				tol = tolerancesOf(*t)
			}
			add(v, "mean", "", "dE00", false, c.MeanDE00, 0)
			for _, ch := range c.Channels {
				add(v, "strength", ch.Channel, "%", true, ch.StrengthPercent, ch.StrengthLimit)
				if t, ok := ToneOf(&ch); ok {
					add(v, t.Kind, ch.Channel, "points", true, t.Value, t.Limit)
				}
				if ch.HueLimit > 0 || ch.HueDeg != 0 { // black has no hue
					add(v, "hue", ch.Channel, "degrees", true, ch.HueDeg, ch.HueLimit)
				}
			}
			for _, f := range c.Factors {
				kind, channel := splitFactor(f.Name)
				add(v, kind, channel, factorUnit(kind, f.Unit), true, f.Value, f.Limit)
			}
		}
		if b := v.Banding; b != nil {
			for _, ch := range b.Channels {
				add(v, "lines", ch.Channel, "times noise", false, ch.Score, ch.Limit)
			}
		}
	}
	return out
}

// Loudest sorts tracks: those furthest beyond their limits first.
func Loudest(tracks []Track) []Track {
	out := slices.Clone(tracks)
	share := func(t Track) float64 {
		p := t.Now()
		switch {
		case p.Limit <= 0:
			return 0
		case p.Value < 0:
			return -p.Value / p.Limit
		}
		return p.Value / p.Limit
	}
	slices.SortStableFunc(out, func(a, b Track) int {
		switch x, y := share(a), share(b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	return out
}
