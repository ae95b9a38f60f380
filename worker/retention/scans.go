package retention

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Pictures are the one thing that goes by size: they are by far the largest, their readings outlast
// them, and a store that is full of old ones takes no new one.
const (
	scansHigh = 0.9 // of what the store may hold: here the oldest begin to go
	scansLow  = 0.75
)

// ScansRemoved is what PruneScans removed.
type ScansRemoved struct {
	Messages uint64    // parts of pictures
	Bytes    uint64    // that they took
	From     time.Time // when the oldest picture that is left was stored; zero when none is
}

// storedScan is the end of a picture that is stored whole.
type storedScan struct {
	seq  uint64
	base string // the subjects of its parts begin with it
	at   time.Time
	// Parts is how many there should be.
	Parts int `json:"parts"`
}

// PruneScans removes the oldest pictures where the store of them is nearly full. Done twice, or by two
// workers at once, it does no more than once.
func PruneScans(ctx context.Context, js jetstream.JetStream) (r ScansRemoved, err error) {
	s, err := js.Stream(ctx, protocol.StreamScans)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return r, nil
	}
	if err != nil {
		return r, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
	}
	before := s.CachedInfo().State
	limit := float64(s.CachedInfo().Config.MaxBytes)
	if limit <= 0 || float64(before.Bytes) <= scansHigh*limit {
		return r, nil
	}
	var whole []storedScan
	err = bus.ReadDirect(ctx, js, protocol.StreamScans, protocol.ScanSubject("*", "*", protocol.ScanEnd), 0, time.Time{}, func(m bus.Message) error {
		p := storedScan{seq: m.Seq, base: strings.TrimSuffix(m.Subject, protocol.ScanEnd), at: m.Time}
		_ = json.Unmarshal(m.Data, &p) // what is none has no parts
		whole = append(whole, p)
		return nil
	})
	if err != nil {
		return r, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
	}
	now := before
	for float64(now.Bytes) > scansLow*limit {
		upTo := now.LastSeq // parts without an end: nobody can look at them
		if len(whole) > 0 {
			upTo, whole = whole[0].seq, whole[1:]
		}
		if err := s.Purge(ctx, jetstream.WithPurgeSequence(upTo+1)); err != nil {
			return r, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
		}
		i, err := s.Info(ctx)
		if err != nil {
			return r, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
		}
		if now = i.State; upTo >= now.LastSeq {
			break
		}
	}
	if whole, err = dropTorn(ctx, s, whole); err != nil {
		return r, err
	}
	i, err := s.Info(ctx)
	if err != nil {
		return r, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
	}
	r.Messages = before.Msgs - min(before.Msgs, i.State.Msgs) // what came meanwhile may hide some
	r.Bytes = before.Bytes - min(before.Bytes, i.State.Bytes)
	if len(whole) > 0 {
		r.From = whole[0].at
	}
	return r, nil
}

// dropTorn removes what is left of pictures that lost their first parts, having been stored at the same
// time as one that was removed: their station would take them for stored.
func dropTorn(ctx context.Context, s jetstream.Stream, whole []storedScan) (left []storedScan, err error) {
	i, err := s.Info(ctx, jetstream.WithSubjectFilter(protocol.SubjectScans))
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
	}
	have := map[string]int{}
	for subject := range i.State.Subjects {
		have[subject[:strings.LastIndexByte(subject, '.')+1]]++
	}
	for _, p := range whole {
		if have[p.base] > p.Parts { // its end counts too
			left = append(left, p)
			continue
		}
		if err := s.Purge(ctx, jetstream.WithPurgeSubject(p.base+">")); err != nil {
			return nil, fmt.Errorf("stream %s: %w", protocol.StreamScans, err)
		}
	}
	return left, nil
}
