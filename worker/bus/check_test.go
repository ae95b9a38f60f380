package bus_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
)

// TestCheckRefusesWhatLosesData makes each stream, store and consumer in every way that would lose
// readings, records or baselines; Check, Provision and a worker must refuse each and say what to do.
func TestCheckRefusesWhatLosesData(t *testing.T) {
	t.Parallel()
	type bad struct {
		name   string
		stream func(*jetstream.StreamConfig)
		cons   func(*jetstream.ConsumerConfig)
		on     string
		word   string
	}
	var all []bad
	for _, s := range []string{protocol.StreamInbox, protocol.StreamRecord} {
		all = append(all,
			bad{name: "max age", on: s, word: "max age", stream: func(c *jetstream.StreamConfig) { c.MaxAge = 24 * time.Hour }},
			bad{name: "discard old", on: s, word: "discard policy", stream: func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld }},
			bad{name: "work queue", on: s, word: "retention", stream: func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy }},
			bad{name: "interest", on: s, word: "retention", stream: func(c *jetstream.StreamConfig) { c.Retention = jetstream.InterestPolicy }},
			bad{name: "one a subject", on: s, word: "messages a subject", stream: func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1 }},
			bad{name: "memory", on: s, word: "file storage", stream: func(c *jetstream.StreamConfig) { c.Storage, c.MaxBytes = jetstream.MemoryStorage, 1<<20 }},
			bad{name: "async", on: s, word: "persist mode", stream: func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode }},
			bad{name: "no ack", on: s, word: "acknowledge", stream: func(c *jetstream.StreamConfig) { c.NoAck = true }},
			bad{name: "message ttl", on: s, word: "message TTLs", stream: func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }},
			bad{name: "rollup", on: s, word: "rollups", stream: func(c *jetstream.StreamConfig) { c.AllowRollup = true }},
			bad{name: "no direct reads", on: s, word: "allow direct", stream: func(c *jetstream.StreamConfig) { c.AllowDirect = false }},
			bad{name: "few messages", on: s, word: "max messages", stream: func(c *jetstream.StreamConfig) { c.MaxMsgs = 1000 }},
			bad{name: "small messages", on: s, word: "max message size", stream: func(c *jetstream.StreamConfig) { c.MaxMsgSize = 1 << 16 }},
			bad{name: "sources", on: s, word: "remove its sources", stream: func(c *jetstream.StreamConfig) { c.Sources = []*jetstream.StreamSource{{Name: protocol.StreamRows}} }},
			bad{name: "idle consumers go", on: s, word: "consumer limits", stream: func(c *jetstream.StreamConfig) { c.ConsumerLimits.InactiveThreshold = time.Hour }},
			bad{name: "a subject less", on: s, word: "add this subject", stream: func(c *jetstream.StreamConfig) { c.Subjects = []string{"swk.elsewhere.>"} }},
		)
	}
	for _, s := range []string{"KV_" + protocol.BucketCharts, "KV_" + protocol.BucketActive, "OBJ_" + protocol.BucketBaselines} {
		all = append(all, bad{name: "ttl", on: s, word: "TTL", stream: func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour; c.Duplicates = time.Minute }},
			bad{name: "memory", on: s, word: "file storage", stream: func(c *jetstream.StreamConfig) { c.Storage, c.MaxBytes = jetstream.MemoryStorage, 1<<20 }},
			bad{name: "few messages", on: s, word: "max messages", stream: func(c *jetstream.StreamConfig) { c.MaxMsgs = 10 }},
			bad{name: "small messages", on: s, word: "max message size", stream: func(c *jetstream.StreamConfig) { c.MaxMsgSize = 1 << 12 }},
			bad{name: "message ttl", on: s, word: "message TTLs", stream: func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }},
			bad{name: "sources", on: s, word: "another stream", stream: func(c *jetstream.StreamConfig) { c.Sources = []*jetstream.StreamSource{{Name: protocol.StreamRows}} }})
	}
	all = append(all,
		bad{name: "few messages", on: protocol.StreamScans, word: "max messages", stream: func(c *jetstream.StreamConfig) { c.MaxMsgs = 10 }},
		bad{name: "small messages", on: protocol.StreamScans, word: "max message size", stream: func(c *jetstream.StreamConfig) { c.MaxMsgSize = 1 << 12 }},
	)
	all = append(all,
		bad{name: "many at a time", word: "order", cons: func(c *jetstream.ConsumerConfig) { c.MaxAckPending = 100 }},
		bad{name: "no acknowledgement", word: "order", cons: func(c *jetstream.ConsumerConfig) { c.AckPolicy = jetstream.AckAllPolicy }},
		bad{name: "gives up", word: "max deliver", cons: func(c *jetstream.ConsumerConfig) { c.MaxDeliver = 3 }},
		bad{name: "inactive", word: "inactive threshold", cons: func(c *jetstream.ConsumerConfig) { c.InactiveThreshold = time.Hour }},
		bad{name: "filter", word: "filter", cons: func(c *jetstream.ConsumerConfig) { c.FilterSubject = "swk.reading.quay.*" }},
		bad{name: "only new", word: "deliver all", cons: func(c *jetstream.ConsumerConfig) { c.DeliverPolicy = jetstream.DeliverNewPolicy }},
		bad{name: "not pinned", word: "pinned", cons: func(c *jetstream.ConsumerConfig) { c.PriorityPolicy, c.PriorityGroups, c.PinnedTTL = 0, nil, 0 }},
	)
	s := openShop(t, "127.0.0.1:0", nil)
	ctx := t.Context()
	if err := bus.Check(ctx, s.js); err != nil {
		t.Fatalf("what Provision makes: %v", err)
	}
	limits := bus.Limits{Inbox: 64 << 20, Record: 64 << 20, Baselines: 16 << 20, Scans: 16 << 20, Replicas: 1}
	for _, b := range all {
		on := b.on
		if b.cons != nil {
			on = protocol.StreamInbox
			cons, err := s.js.Consumer(ctx, on, bus.Durable)
			if err != nil {
				t.Fatal(err)
			}
			c := cons.CachedInfo().Config
			b.cons(&c)
			if err := s.js.DeleteConsumer(ctx, on, bus.Durable); err != nil {
				t.Fatal(err)
			}
			if _, err := s.js.CreateConsumer(ctx, on, c); err != nil {
				t.Fatalf("%s: %v", b.name, err)
			}
		} else {
			st, err := s.js.Stream(ctx, on)
			if err != nil {
				t.Fatal(err)
			}
			c := st.CachedInfo().Config
			b.stream(&c)
			if err := s.js.DeleteStream(ctx, on); err != nil {
				t.Fatal(err)
			}
			if _, err := s.js.CreateStream(ctx, c); err != nil {
				t.Fatalf("%s %s: %v", on, b.name, err)
			}
		}
		err := bus.Check(ctx, s.js)
		if err == nil || !strings.Contains(err.Error(), b.word) {
			t.Errorf("%s, %s: Check says %v", on, b.name, err)
		}
		if perr := bus.Provision(ctx, s.js, limits); perr == nil || !strings.Contains(perr.Error(), b.word) {
			t.Errorf("%s, %s: Provision says %v", on, b.name, perr)
		}
		if err := startOutside(ctx, s); err == nil || !strings.Contains(err.Error(), b.word) {
			t.Errorf("%s, %s: a worker says %v", on, b.name, err)
		}
		// As it was, for the next.
		if b.cons != nil {
			err = s.js.DeleteConsumer(ctx, on, bus.Durable)
		} else {
			err = s.js.DeleteStream(ctx, on)
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := startOutside(ctx, s); !errors.Is(err, bus.ErrNotProvisioned) || !strings.Contains(err.Error(), "swathkeeper init") {
			t.Errorf("without %s a worker says %v", on, err)
		}
		if err := bus.Provision(ctx, s.js, limits); err != nil {
			t.Fatal(err)
		}
	}
}

// TestRemarks looks at streams that lose nothing, and are worth a word.
func TestRemarks(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	ctx := t.Context()
	said := func() string {
		t.Helper()
		list, err := bus.Remarks(ctx, s.js)
		if err != nil {
			t.Fatal(err)
		}
		text := ""
		for _, r := range list {
			if r.Next == "" {
				t.Errorf("no next step for: %s", r.Text)
			}
			text += r.Text + "\n"
		}
		return text
	}
	if got := said(); got != "" {
		t.Errorf("of what Provision makes: %s", got)
	}
	change := func(stream string, do func(*jetstream.StreamConfig)) {
		t.Helper()
		st, err := s.js.Stream(ctx, stream)
		if err != nil {
			t.Fatal(err)
		}
		c := st.CachedInfo().Config
		do(&c)
		if _, err := s.js.UpdateStream(ctx, c); err != nil {
			t.Fatal(err)
		}
	}
	change(protocol.StreamInbox, func(c *jetstream.StreamConfig) { c.Duplicates = 10 * time.Second })
	change(protocol.StreamInbox, func(c *jetstream.StreamConfig) { c.DenyPurge = true })
	change(protocol.StreamRecord, func(c *jetstream.StreamConfig) {
		c.RePublish = &jetstream.RePublish{Source: ">", Destination: "copies.>"}
	})
	got := said()
	for _, word := range []string{"SWK_INBOX knows the ids of what was sent for 10s", "SWK_INBOX denies purging", "SWK_RECORD publishes all that it takes once more, under copies.>"} {
		if !strings.Contains(got, word) {
			t.Errorf("%q is not said: %s", word, got)
		}
	}
	if err := bus.Check(ctx, s.js); err != nil {
		t.Errorf("a worker would refuse them: %v", err)
	}
}

// startOutside starts a worker on the shop's bus as on an outside one, and stops it.
func startOutside(ctx context.Context, s *shop) error {
	ep := s.bus.Endpoint
	token, err := bus.ReadEndpoint(s.dir)
	if err != nil {
		return err
	}
	w, err := worker.New(worker.Options{Bus: bus.ConnectOptions{URL: ep.Address, Token: token.Token}, Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	if err := w.Start(ctx); err != nil {
		return err
	}
	return w.Stop(ctx)
}
