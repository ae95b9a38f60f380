package bus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Durable is the name of the consumer that judges the inbox.
const Durable = "judge"

// Limits bounds what the streams and stores may hold, in bytes. Streams refuse what does not fit
// and stations then keep it: nothing is thrown away to make room.
type Limits struct {
	Inbox, Record, Baselines, Scans int64
	Replicas                        int
}

// DefaultLimits suits one machine: 8 GiB in all.
func DefaultLimits() Limits {
	return Limits{Inbox: 3 << 30, Record: 3 << 30, Baselines: 1 << 30, Scans: 1 << 30, Replicas: 1}
}

// Total is what a store must be allowed to grow to.
func (l Limits) Total() int64 { return l.Inbox + l.Record + l.Baselines + l.Scans + 512<<20 }

// Provision creates the streams, stores and the judging consumer where they are missing, and
// leaves alone what is there. It refuses a stream whose configuration would lose data.
func Provision(ctx context.Context, js jetstream.JetStream, l Limits) error {
	for _, c := range []jetstream.StreamConfig{
		{
			Name:        protocol.StreamInbox,
			Description: "readings and notes, in the order in which they came",
			Subjects:    []string{protocol.SubjectReadings, protocol.SubjectNotes},
			MaxBytes:    l.Inbox,
			Duplicates:  2 * time.Hour, // a station may send again for this long without being stored twice
		},
		{
			Name:        protocol.StreamRecord,
			Description: "one record for each input; the worker's memory",
			Subjects:    []string{protocol.SubjectRecords},
			MaxBytes:    l.Record,
			Duplicates:  2 * time.Minute,
		},
	} {
		c.Retention = jetstream.LimitsPolicy
		c.Storage = jetstream.FileStorage
		c.Discard = jetstream.DiscardNew
		c.MaxMsgSize = 1 << 20
		c.AllowDirect = true
		c.Replicas = l.Replicas
		if err := ensureStream(ctx, js, c); err != nil {
			return err
		}
	}
	if err := ensureConsumer(ctx, js); err != nil {
		return err
	}
	for _, c := range []jetstream.KeyValueConfig{
		{Bucket: protocol.BucketCharts, Description: "chart layouts", MaxBytes: 128 << 20, MaxValueSize: 1 << 20},
		{Bucket: protocol.BucketActive, Description: "the baseline in force of each series", MaxBytes: 64 << 20, History: 8},
		{Bucket: protocol.BucketSent, Description: "what chat has delivered", MaxBytes: 128 << 20, TTL: 30 * 24 * time.Hour},
	} {
		c.Replicas = l.Replicas
		if _, err := js.KeyValue(ctx, c.Bucket); err == nil {
			continue
		}
		if _, err := js.CreateKeyValue(ctx, c); err != nil && !errors.Is(err, jetstream.ErrBucketExists) {
			return fmt.Errorf("store %s: %w", c.Bucket, err)
		}
	}
	for _, c := range []jetstream.ObjectStoreConfig{
		{Bucket: protocol.BucketBaselines, Description: "baselines, by digest", MaxBytes: l.Baselines},
		{Bucket: protocol.BucketScans, Description: "pictures behind readings, by digest", MaxBytes: l.Scans, TTL: 90 * 24 * time.Hour},
	} {
		c.Replicas = l.Replicas
		if _, err := js.ObjectStore(ctx, c.Bucket); err == nil {
			continue
		}
		if _, err := js.CreateObjectStore(ctx, c); err != nil && !errors.Is(err, jetstream.ErrBucketExists) {
			return fmt.Errorf("store %s: %w", c.Bucket, err)
		}
	}
	return nil
}

func ensureStream(ctx context.Context, js jetstream.JetStream, c jetstream.StreamConfig) error {
	s, err := js.Stream(ctx, c.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if _, err = js.CreateStream(ctx, c); err != nil {
			return fmt.Errorf("stream %s: %w", c.Name, err)
		}
		return nil
	}
	if err != nil {
		return fmt.Errorf("stream %s: %w", c.Name, err)
	}
	return checkStream(s.CachedInfo().Config)
}

// checkStream refuses a stream that would lose readings or records by itself.
func checkStream(c jetstream.StreamConfig) error {
	switch {
	case c.MaxAge != 0:
		return fmt.Errorf("stream %s forgets messages after %s; unjudged readings and the worker's memory would go: remove its max age", c.Name, c.MaxAge)
	case c.Discard != jetstream.DiscardNew:
		return fmt.Errorf("stream %s throws away old messages when it is full: set its discard policy to new", c.Name)
	case c.Retention != jetstream.LimitsPolicy:
		return fmt.Errorf("stream %s deletes what was acknowledged: set its retention to limits", c.Name)
	case c.MaxMsgsPerSubject > 0:
		return fmt.Errorf("stream %s keeps only %d messages a subject: remove that limit", c.Name, c.MaxMsgsPerSubject)
	case c.Storage != jetstream.FileStorage:
		return fmt.Errorf("stream %s is kept in memory: use file storage", c.Name)
	case !c.AllowDirect:
		return fmt.Errorf("stream %s does not allow direct reads: set allow direct", c.Name)
	}
	return nil
}

// pinnedTTL is how long a judging worker may be silent before another takes over.
const pinnedTTL = 4 * time.Second

func ensureConsumer(ctx context.Context, js jetstream.JetStream) error {
	c := jetstream.ConsumerConfig{
		Durable:        Durable,
		Description:    "judges readings and notes in order",
		AckPolicy:      jetstream.AckExplicitPolicy,
		AckWait:        30 * time.Second,
		MaxDeliver:     -1,
		MaxAckPending:  1, // strict order, also over a takeover
		PriorityPolicy: jetstream.PriorityPolicyPinned,
		PriorityGroups: []string{Durable},
		PinnedTTL:      pinnedTTL,
	}
	got, err := js.Consumer(ctx, protocol.StreamInbox, Durable)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		if _, err = js.CreateConsumer(ctx, protocol.StreamInbox, c); err != nil {
			return fmt.Errorf("consumer %s: %w", Durable, err)
		}
		return nil
	}
	if err != nil {
		return fmt.Errorf("consumer %s: %w", Durable, err)
	}
	if have := got.CachedInfo().Config; have.MaxAckPending != 1 || have.AckPolicy != jetstream.AckExplicitPolicy {
		return fmt.Errorf("consumer %s does not keep the order of readings: it must have max ack pending 1 and explicit acknowledgement", Durable)
	}
	return nil
}
