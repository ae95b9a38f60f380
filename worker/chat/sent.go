package chat

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// sentEntry is what SWK_SENT holds under <target>.<record id>: how many of the record's changes
// were dealt with, in order.
type sentEntry struct {
	Done int       `json:"done"`
	At   time.Time `json:"at"`
}

// Failure is a message that was given up.
type Failure struct {
	Target  string    `json:"target"`
	Message string    `json:"message"` // its id
	Title   string    `json:"title"`
	At      time.Time `json:"at"`
	Tries   int       `json:"tries"`
	Why     string    `json:"why"`
}

const givenUp = "given-up"

// sent is one target's part of SWK_SENT.
type sent struct {
	kv     jetstream.KeyValue
	target string
	now    func() time.Time
}

func (s sent) key(id string) string { return s.target + "." + id }

// done tells how many changes of a record were dealt with.
func (s sent) done(ctx context.Context, record string) (int, error) {
	e, err := s.kv.Get(ctx, s.key(record))
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	var v sentEntry
	if err := json.Unmarshal(e.Value(), &v); err != nil {
		return 0, nil // not ours: told again rather than not at all
	}
	return v.Done, nil
}

func (s sent) put(ctx context.Context, record string, done int) error {
	return s.write(ctx, s.key(record), sentEntry{Done: done, At: s.now()})
}

func (s sent) fail(ctx context.Context, f Failure) error {
	return s.write(ctx, s.key(givenUp+"."+f.Message), f)
}

func (s sent) write(ctx context.Context, key string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	if _, err := s.kv.Put(ctx, key, b); err != nil {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	return nil
}

// kept is what quiet hours held back about one alert.
type kept struct {
	Site    string          `json:"site"`
	Printer string          `json:"printer"`
	Record  string          `json:"record"`
	At      time.Time       `json:"at"`
	First   string          `json:"first"` // the first change held back
	Last    protocol.Change `json:"last"`  // the latest

	revision uint64 // under which this is stored
}

const quietPart = "quiet"

// keep holds a change back, in place of what was held back about the same alert before.
func (s sent) keep(ctx context.Context, k kept) error {
	key := s.keptKey(k.Last.Key)
	k.First = k.Last.Change
	e, err := s.kv.Get(ctx, key)
	if err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	var old kept
	if err == nil && json.Unmarshal(e.Value(), &old) == nil {
		k.First = old.First
	}
	return s.write(ctx, key, k)
}

// keptKey is where what is held back about an alert is kept.
func (s sent) keptKey(alert string) string {
	sum := sha256.Sum256([]byte(alert))
	return s.key(quietPart + "." + hex.EncodeToString(sum[:8]))
}

// supersede drops what was held back about an alert of which people were told something newer: what
// comes after it is then news about something they know of.
func (s sent) supersede(ctx context.Context, alert string) error {
	_, err := s.kv.Get(ctx, s.keptKey(alert))
	if err == nil {
		err = s.kv.Delete(ctx, s.keptKey(alert))
	}
	if err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	return nil
}

// heldBack lists what quiet hours held back, by the key it is kept under.
func (s sent) heldBack(ctx context.Context) (map[string]kept, error) {
	out := map[string]kept{}
	err := each(ctx, s.kv, s.key(quietPart+".*"), func(e jetstream.KeyValueEntry) {
		var k kept
		if json.Unmarshal(e.Value(), &k) == nil {
			k.revision = e.Revision()
			out[e.Key()] = k
		}
	})
	return out, err
}

// forget drops what was held back and is told now, but not what was held back about the same alert
// since: a message that was retried into the next night must not take that night's with it.
func (s sent) forget(ctx context.Context, held map[string]kept) error {
	for key, k := range held {
		err := s.kv.Delete(ctx, key, jetstream.LastRevision(k.revision))
		if err != nil && !errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
			return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
		}
	}
	return nil
}

// each calls f for every entry under a filter.
func each(ctx context.Context, kv jetstream.KeyValue, filter string, f func(jetstream.KeyValueEntry)) error {
	w, err := kv.Watch(ctx, filter, jetstream.IgnoreDeletes())
	if err != nil {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	defer func() { _ = w.Stop() }()
	for {
		select {
		case e, ok := <-w.Updates():
			if e == nil || !ok {
				return ctx.Err()
			}
			f(e)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// claim reserves what is due once for everybody, such as a digest, for a while. It reports false
// when it was done, or when another worker is at it.
func (s sent) claim(ctx context.Context, id string) (bool, error) {
	key := s.key(id)
	raw, err := json.Marshal(sentEntry{At: s.now()})
	if err != nil {
		return false, err
	}
	_, err = s.kv.Create(ctx, key, raw)
	if err == nil {
		return true, nil
	}
	if !errors.Is(err, jetstream.ErrKeyExists) {
		return false, fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	e, err := s.kv.Get(ctx, key)
	if err != nil {
		return false, fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	var v sentEntry
	if json.Unmarshal(e.Value(), &v) == nil && (v.Done > 0 || s.now().Sub(v.At) < claimFor) {
		return false, nil
	}
	// Whoever claimed it was killed before it was told.
	_, err = s.kv.Update(ctx, key, raw, e.Revision())
	if errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
		return false, nil
	}
	return err == nil, err
}

// claimFor is how long a claim holds.
const claimFor = 10 * time.Minute

// Failures lists what was given up in the last 30 days, newest first; target may be empty for all. Who
// may only read may ask.
func Failures(ctx context.Context, js jetstream.JetStream, target string) ([]Failure, error) {
	if _, err := js.KeyValue(ctx, protocol.BucketSent); err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	if target == "" {
		target = "*"
	}
	all, err := bus.Values(ctx, js, protocol.BucketSent, target+"."+givenUp+".>")
	var out []Failure
	for key, value := range all {
		var f Failure
		if json.Unmarshal(value, &f) == nil {
			f.Target, _, _ = strings.Cut(key, ".")
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b Failure) int { return cmp.Or(b.At.Compare(a.At), strings.Compare(a.Target, b.Target)) })
	return out, err
}

// placeMark says that a target has a place in the records: since when, and when that was seen last, by the
// machine's clock, which the bus goes by too.
type placeMark struct {
	Since time.Time `json:"since"`
	Seen  time.Time `json:"seen"`
}

// placeKey is where it lies. No record's id is a word.
func (s sent) placeKey() string { return s.key("place") }

func (s sent) place(ctx context.Context) (m placeMark, marked bool, err error) {
	e, err := s.kv.Get(ctx, s.placeKey())
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return m, false, nil
	}
	if err != nil {
		return m, false, fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	return m, json.Unmarshal(e.Value(), &m) == nil, nil
}

func (s sent) markPlace(ctx context.Context) error {
	m, marked, err := s.place(ctx)
	if err != nil {
		return err
	}
	m.Seen = time.Now()
	if !marked {
		m.Since = m.Seen
	}
	return s.write(ctx, s.placeKey(), m)
}
