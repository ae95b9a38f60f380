package doctor

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/judge"
)

// baselineAge is when a baseline is worth a look: lamps, lots and heads have changed since. Common
// practice, no source. nearAge is how long before it is announced.
const (
	baselineAge = 365 * 24 * time.Hour
	nearAge     = 30 * 24 * time.Hour
)

// Baselines looks at the baseline in force of every series: whether it can be read and prepared, how
// sure it is, and how old. Dates are told in the zone of now.
func Baselines(ctx context.Context, js jetstream.JetStream, now time.Time) []Finding {
	kv, err := js.KeyValue(ctx, protocol.BucketActive)
	if err != nil {
		return []Finding{fault("baselines", "see the finding about the bus", "%v", err)}
	}
	stores, err := bus.OpenStores(ctx, js)
	if err != nil {
		return []Finding{fault("baselines", "see the finding about the bus", "%v", err)}
	}
	defer stores.Close()
	keys, err := bus.Keys(ctx, js, protocol.BucketActive)
	if err != nil {
		return []Finding{fault("baselines", "see the finding about the store", "%v", err)}
	}
	var out []Finding
	good := 0
	for _, key := range keys {
		if bus.IsOwnKey(key) {
			continue
		}
		e, err := kv.Get(ctx, key)
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			continue
		}
		if err != nil {
			out = append(out, fault("baselines", "see the finding about the store", "%s: %v", key, err))
			continue
		}
		var r protocol.BaselineRecord
		if err := json.Unmarshal(e.Value(), &r); err != nil {
			out = append(out, fault("baselines", "learn and accept a new one", "%s: what is in force cannot be read: %v", key, err))
			continue
		}
		if r.Do != protocol.BaselineAccept {
			continue // retired
		}
		if ctx.Err() != nil {
			break
		}
		f := baseline(ctx, stores, strings.ReplaceAll(key, ".", "/"), r, now)
		if f.Verdict == Fine {
			good++
			continue
		}
		if f.Verdict == Fault && ctx.Err() != nil {
			break // it had not its whole time: not its fault
		}
		out = append(out, f)
	}
	if err := ctx.Err(); err != nil {
		return append(out, fault("baselines", "ask again when the store is less busy", "not all were looked at: %v", err))
	}
	if good > 0 {
		out = append(out, fine("baselines", "%s in force, readable, full and younger than a year", count(good, "baseline")))
	}
	if len(out) == 0 {
		out = append(out, look("baselines", "do `swathkeeper baseline learn`, send ten good readings over three days, then `baseline accept`", "no series has a baseline: nothing can be judged by statistics"))
	}
	return out
}

func baseline(ctx context.Context, stores *bus.Stores, name string, r protocol.BaselineRecord, now time.Time) Finding {
	data, err := stores.Baseline(ctx, r.Digest)
	if err != nil {
		return fault("baselines", "bring the store back from a copy, or learn and accept a new one", "%s: %v", name, err)
	}
	b, err := judge.DecodeBaseline(data)
	if err == nil {
		_, err = judge.Prepare(b)
	}
	if err != nil {
		return fault("baselines", "learn and accept a new one", "%s cannot be judged by: %v", name, err)
	}
	old := now.Sub(b.To)
	switch {
	case old > baselineAge:
		return look("baselines", "learn a new one from the printer as it is good now", "%s is of %s, more than a year old", name, b.To.In(now.Location()).Format(time.DateOnly))
	case old > baselineAge-nearAge:
		return look("baselines", "plan a new one", "%s is of %s and will be a year old on %s", name, b.To.In(now.Location()).Format(time.DateOnly), b.To.Add(baselineAge).In(now.Location()).Format(time.DateOnly))
	case b.Grade != protocol.GradeFull:
		return look("baselines", "learn on: ten readings or more over three days or more give the surest limits", "%s is %s, from %s on %s", name, b.Grade, count(b.Count, "reading"), count(b.Days, "day"))
	}
	return fine("baselines", "%s", name)
}
