package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nats.go/micro"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/health"
	"swathkeeper/worker/zones"
)

// aliveEvery is how often a sign of life is given when nothing else is set.
const aliveEvery = 5 * time.Minute

// startAlive calls the address that is to miss this worker when it dies, for as long as it is ready.
func (w *Worker) startAlive() error {
	if w.o.Alive == "" {
		return nil
	}
	call, err := chat.NewCaller(w.o.Alive, w.o.AliveInside)
	if err != nil {
		return fmt.Errorf("alive: %w", err)
	}
	every := w.o.AliveEvery
	if every == 0 {
		every = aliveEvery
	}
	log := w.o.Log.With().Str("part", "alive").Logger()
	var last string
	w.background("sign of life", func(ctx context.Context) {
		defer call.Close()
		t := time.NewTicker(every)
		defer t.Stop()
		for {
			why := ""
			if r := w.Report(ctx); !r.Ready {
				why = "withheld: the worker is not ready"
				for _, c := range r.Checks {
					if !c.OK && !c.Minor {
						why += "; " + c.Name + ": " + c.Text
					}
				}
			} else if err := call.Call(ctx); err != nil {
				why = err.Error()
			}
			if ctx.Err() != nil {
				return
			}
			k := w.keepers[0]
			k.pulse.set(func() { k.pulse.alive = why })
			if why != last {
				if why == "" {
					log.Info().Msg("the sign of life is given again")
				} else {
					log.Error().Str("why", why).Msg("no sign of life was given")
				}
			}
			last = why
			select {
			case <-ctx.Done():
				return
			case <-t.C:
			}
		}
	})
	return nil
}

// background runs work until the worker is stopped.
func (w *Worker) background(name string, work func(context.Context)) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); work(ctx) }()
	w.onStop(name, func(context.Context) error { cancel(); <-done; return nil })
}

// presence is what a worker leaves behind of itself, so that its next start knows how it ended.
type presence struct {
	Started time.Time `json:"started"`
	Seen    time.Time `json:"seen"`             // last sign of life
	Stopped time.Time `json:"stopped,omitzero"` // zero: it was not stopped, or still runs
	// Announced is the start that the newest announcement of a crash was of; zero: none was.
	Announced time.Time `json:"announced,omitzero"`
}

// announceEvery is how often at most a worker that crashes again and again says so: it should be no flood.
const announceEvery = time.Hour

// announcement gives the start that a crash seen at now is announced under: the newest one's as long as
// that is not long ago, so that it is told once, and still is where the worker died before it was told.
func (p *presence) announcement(now time.Time) time.Time {
	if ago := now.Sub(p.Announced); ago >= 0 && ago < announceEvery {
		return p.Announced
	}
	return now
}

// presenceEvery is how often the sign is renewed; it bounds how well the end of a worker that
// crashed is known.
const presenceEvery = time.Minute

// presenceKey is where a worker's presence lies in SWK_SENT.
func presenceKey(name string) string {
	return bus.PresencePrefix + strings.Map(func(r rune) rune {
		if r < 0x80 && (r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z') {
			return r
		}
		return '-'
	}, name)
}

// bePresent finds out whether the last worker of this name was stopped or crashed, announces a crash,
// and leaves signs of this one's life until it is stopped.
func (w *Worker) bePresent(ctx context.Context, talk *chat.Chat) error {
	kv, err := w.js.KeyValue(ctx, protocol.BucketSent)
	if err != nil {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	key := presenceKey(w.o.Name)
	var was presence
	crashed := false
	e, err := kv.Get(ctx, key)
	switch {
	case err == nil:
		crashed = json.Unmarshal(e.Value(), &was) == nil && was.Stopped.IsZero()
	case !errors.Is(err, jetstream.ErrKeyNotFound):
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	now := presence{Started: w.startedAt, Seen: time.Now(), Announced: was.Announced}
	if crashed {
		now.Announced = was.announcement(w.startedAt)
	}
	put := func(ctx context.Context) error {
		b, err := json.Marshal(now)
		if err == nil {
			_, err = kv.Put(ctx, key, b)
		}
		return err
	}
	if w.embed == nil && crashed && w.namesake() {
		w.o.Log.Warn().Str("name", w.o.Name).Msg("another worker of this name is at work on this bus: give each its own with --name, or a crash of one cannot be told")
		return nil
	}
	if err := put(ctx); err != nil {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	if crashed {
		w.o.Log.Warn().Time("last_seen", was.Seen).Msg("the worker was not stopped the last time: a crash, or the power went")
		talk.Announce(key+"."+now.Announced.UTC().Format("20060102150405"), crashText(w.o.Name, was.Seen, now.Started, w.o.Chat.Zone))
	}
	w.background("presence", func(ctx context.Context) {
		t := time.NewTicker(presenceEvery)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				// The connection is closed only after this.
				last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
				defer cancel()
				now.Seen = time.Now()
				now.Stopped = now.Seen
				if err := put(last); err != nil {
					w.o.Log.Warn().Err(err).Msg("this stop could not be noted; the next start will take it for a crash")
				}
				return
			case <-t.C:
				limited, cancel := context.WithTimeout(ctx, 5*time.Second)
				now.Seen = time.Now()
				_ = put(limited) // the next one tells
				cancel()
			}
		}
	})
	return nil
}

// namesake asks whether a worker of this one's name answers on the bus; this one does not yet.
func (w *Worker) namesake() bool {
	inbox := w.conn.NewInbox()
	sub, err := w.conn.SubscribeSync(inbox)
	if err != nil {
		return false
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := w.conn.PublishRequest("$SRV.PING."+health.ServiceName, inbox, nil); err != nil {
		return false
	}
	for end := time.Now().Add(500 * time.Millisecond); ; {
		m, err := sub.NextMsg(time.Until(end))
		if err != nil || len(m.Data) == 0 {
			return false
		}
		var ping micro.Ping
		if json.Unmarshal(m.Data, &ping) == nil && ping.Metadata["worker"] == w.o.Name {
			return true
		}
	}
}

func crashText(name string, seen, back time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.Local
	}
	return fmt.Sprintf("swathkeeper on %s was not stopped properly and is back since %s.\nLast sign of life: %s. A crash, or the power went.\nReadings that stations kept meanwhile are judged now, in their order; look at `swathkeeper doctor` if this comes again.",
		name, zones.Stamp(back, zone, "Mon 2 Jan 15:04"), zones.Stamp(seen, zone, "Mon 2 Jan 15:04"))
}
