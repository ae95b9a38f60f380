package bus

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Stores are the key-value and object stores the worker needs.
type Stores struct {
	charts    jetstream.KeyValue
	active    jetstream.KeyValue
	baselines jetstream.ObjectStore
	js        jetstream.JetStream
	nc        *nats.Conn
	worker    bool // it has the right to consumers of baselines
	leader    bool // ask the leader before saying that there is no such chart
	enc       *zstd.Encoder
	dec       *zstd.Decoder
}

// PresencePrefix begins the keys under which workers leave signs of their life in the store of what chat
// has sent. No target's name begins with a dash.
const PresencePrefix = "-worker."

// maxBaseline bounds an unpacked baseline, so that a damaged object cannot eat the memory.
const maxBaseline = 64 << 20

// OpenStores binds to the stores, which must exist.
func OpenStores(ctx context.Context, js jetstream.JetStream) (*Stores, error) {
	s := Stores{js: js, nc: js.Conn()}
	var err error
	if s.charts, err = js.KeyValue(ctx, protocol.BucketCharts); err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketCharts, err)
	}
	if s.active, err = js.KeyValue(ctx, protocol.BucketActive); err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketActive, err)
	}
	if s.baselines, err = js.ObjectStore(ctx, protocol.BucketBaselines); err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketBaselines, err)
	}
	if s.enc, err = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1)); err != nil {
		return nil, err
	}
	if s.dec, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxBaseline)); err != nil {
		return nil, err
	}
	return &s, nil
}

// FromLeader makes Chart ask the leader before it says that there is no such layout, where the store
// is on several servers, and Baseline read there: whoever judges by them must, and has the rights to.
func (s *Stores) FromLeader(ctx context.Context) (*Stores, error) {
	s.worker = true
	st, err := s.charts.Status(ctx)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketCharts, err)
	}
	if b, ok := st.(*jetstream.KeyValueBucketStatus); ok {
		s.leader = b.StreamInfo().Config.Replicas > 1
	}
	return s, nil
}

// Close releases the codecs.
func (s *Stores) Close() {
	s.dec.Close()
	_ = s.enc.Close()
}

// Chart gives a layout, or nil when it is not known.
func (s *Stores) Chart(ctx context.Context, id, edition string) (*protocol.Chart, error) {
	key := protocol.ChartKey(id, edition)
	e, err := s.charts.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		if !s.leader {
			return nil, nil
		}
		// Whoever answered may be a moment behind: a reading is not refused for that.
		m, err := lastAtLeader(ctx, s.nc, "KV_"+protocol.BucketCharts, "$KV."+protocol.BucketCharts+"."+key)
		if err != nil {
			return nil, fmt.Errorf("chart %s %s: %w", id, edition, err)
		}
		if m == nil || len(m.Data) == 0 { // never there, or deleted
			return nil, nil
		}
		return protocol.DecodeChart(m.Data)
	}
	if err != nil {
		return nil, fmt.Errorf("chart %s %s: %w", id, edition, err)
	}
	return protocol.DecodeChart(e.Value())
}

// PutChart stores a layout. An edition never changes: another layout under a known edition is
// refused.
func (s *Stores) PutChart(ctx context.Context, c *protocol.Chart) error {
	if err := c.Validate(); err != nil {
		return err
	}
	data, err := protocol.Encode(c)
	if err != nil {
		return err
	}
	key := protocol.ChartKey(c.ID, c.Edition)
	old, err := s.charts.Get(ctx, key)
	switch {
	case err == nil && bytes.Equal(old.Value(), data):
		return nil
	case err == nil:
		return fmt.Errorf("chart %s %s is known with another layout: give the changed layout a new edition", c.ID, c.Edition)
	case !errors.Is(err, jetstream.ErrKeyNotFound):
		return fmt.Errorf("chart %s: %w", c.ID, err)
	}
	if _, err := s.charts.Create(ctx, key, data); err != nil {
		return fmt.Errorf("chart %s: %w", c.ID, err)
	}
	return nil
}

// Charts gives every layout that can be read, in the order of their keys, and an error that names each
// that cannot.
func (s *Stores) Charts(ctx context.Context) ([]*protocol.Chart, error) {
	const prefix = "$KV." + protocol.BucketCharts + "."
	info, err := s.charts.Status(ctx)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", protocol.BucketCharts, err)
	}
	there := map[string]*Message{}
	err = eachValue(ctx, s.js, protocol.BucketCharts, ">", func(key string, m Message) { there[key] = &m })
	if err != nil {
		return nil, err
	}
	// A value whose place on the disk is damaged does not come; the store counts it all the same.
	counted := map[string]struct{}{}
	if uint64(len(there)) < info.Values() {
		st, err := s.js.Stream(ctx, "KV_"+protocol.BucketCharts)
		if err != nil {
			return nil, fmt.Errorf("store %s: %w", protocol.BucketCharts, err)
		}
		i, err := st.Info(ctx, jetstream.WithSubjectFilter(prefix+">"))
		if err != nil {
			return nil, fmt.Errorf("store %s: %w", protocol.BucketCharts, err)
		}
		for subject := range i.State.Subjects {
			counted[strings.TrimPrefix(subject, prefix)] = struct{}{}
		}
	}
	for key := range there {
		counted[key] = struct{}{}
	}
	var out []*protocol.Chart
	var bad []error
	for _, key := range slices.Sorted(maps.Keys(counted)) {
		m := there[key]
		if m == nil {
			bad = append(bad, fmt.Errorf("chart %s is damaged: the store has it and does not give it", key))
			continue
		}
		if m.Removed {
			continue
		}
		c, err := protocol.DecodeChart(m.Data)
		if err != nil {
			bad = append(bad, fmt.Errorf("chart %s: %w", key, err))
			continue
		}
		out = append(out, c)
	}
	return out, errors.Join(bad...)
}

// PutBaseline stores a baseline under its own digest, so that storing it twice is storing it once.
func (s *Stores) PutBaseline(ctx context.Context, data []byte) (digest string, err error) {
	sum := sha256.Sum256(data)
	digest = hex.EncodeToString(sum[:])
	if _, err := s.baselines.GetInfo(ctx, digest); err == nil {
		return digest, nil
	}
	if _, err := s.baselines.PutBytes(ctx, digest, s.enc.EncodeAll(data, nil)); err != nil {
		return "", fmt.Errorf("store of baseline %s: %w", digest[:12], err)
	}
	return digest, nil
}

// BaselineError says that a baseline cannot be read, although its store answers. It is never away: trying
// again does not help.
type BaselineError struct {
	Digest string
	Why    string
}

func (e *BaselineError) Error() string { return fmt.Sprintf("baseline %.12s %s", e.Digest, e.Why) }

// baselineTime is how long reading a baseline may take, and a second more for each MiB. Where its block on
// the disk is damaged, the server sends nothing at all.
const baselineTime = 2 * time.Second

// Baseline gives a baseline by its digest, and checks it. One that is damaged is a BaselineError.
func (s *Stores) Baseline(ctx context.Context, digest string) ([]byte, error) {
	packed, err := s.packed(ctx, digest)
	if err != nil {
		if ctx.Err() == nil && !errors.Is(err, jetstream.ErrObjectNotFound) && s.answers(ctx) {
			return nil, &BaselineError{digest, fmt.Sprintf("cannot be read, although its store answers: %v", err)}
		}
		return nil, fmt.Errorf("baseline %.12s: %w", digest, err)
	}
	data, err := s.dec.DecodeAll(packed, nil)
	if err != nil {
		return nil, &BaselineError{digest, fmt.Sprintf("is damaged: %v", err)}
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != digest {
		return nil, &BaselineError{digest, "is damaged: its digest does not match"}
	}
	return data, nil
}

// packed gives a baseline as it is stored.
func (s *Stores) packed(ctx context.Context, digest string) ([]byte, error) {
	short, cancel := context.WithTimeout(ctx, baselineTime)
	defer cancel()
	info, err := s.baselines.GetInfo(short, digest)
	if err != nil {
		return nil, err
	}
	long, done := context.WithTimeout(ctx, baselineTime+time.Duration(info.Size>>20)*time.Second)
	defer done()
	if s.worker {
		return s.baselines.GetBytes(long, digest)
	}
	// The library delivers an object by a consumer; who only reads has no right to one.
	var data []byte
	err = ReadDirect(long, s.js, "OBJ_"+protocol.BucketBaselines, "$O."+protocol.BucketBaselines+".C."+info.NUID, 0, time.Time{}, func(m Message) error {
		if len(data)+len(m.Data) > maxBaseline {
			return errors.New("it is larger than any baseline")
		}
		data = append(data, m.Data...)
		return nil
	})
	return data, err
}

// answers asks whether the store of the baselines is there at all.
func (s *Stores) answers(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, baselineTime)
	defer cancel()
	_, err := s.baselines.Status(ctx)
	return err == nil
}

// SetActive notes which baseline is in force. It is an index for other programs; the worker's own
// memory is its records.
func (s *Stores) SetActive(ctx context.Context, site, printer, series string, value []byte) error {
	if _, err := s.active.Put(ctx, site+"."+printer+"."+series, value); err != nil {
		return fmt.Errorf("baseline in force: %w", err)
	}
	return nil
}

// Keys gives the keys of a key-value store, sorted. It needs no consumer, and so no right to create
// one.
func Keys(ctx context.Context, js jetstream.JetStream, bucket string) ([]string, error) {
	there := map[string]struct{}{}
	err := eachValue(ctx, js, bucket, ">", func(key string, m Message) {
		if m.Removed {
			delete(there, key)
		} else {
			there[key] = struct{}{}
		}
	})
	return slices.Sorted(maps.Keys(there)), err
}

// Values gives what a key-value store holds under keys, which may hold wildcards, by key. As Keys it
// needs no consumer.
func Values(ctx context.Context, js jetstream.JetStream, bucket, keys string) (map[string][]byte, error) {
	there := map[string][]byte{}
	err := eachValue(ctx, js, bucket, keys, func(key string, m Message) {
		if m.Removed {
			delete(there, key)
		} else {
			there[key] = m.Data
		}
	})
	return there, err
}

// eachValue calls fn with each message of a key-value store, oldest first.
func eachValue(ctx context.Context, js jetstream.JetStream, bucket, keys string, fn func(key string, m Message)) error {
	prefix := "$KV." + bucket + "."
	err := ReadDirect(ctx, js, "KV_"+bucket, prefix+keys, 0, time.Time{}, func(m Message) error {
		fn(strings.TrimPrefix(m.Subject, prefix), m)
		return nil
	})
	if err != nil {
		return fmt.Errorf("store %s: %w", bucket, err)
	}
	return nil
}
