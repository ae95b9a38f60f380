package chat

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Clock is the time of day, as the worker has it.
type Clock interface {
	Now() time.Time
	// Until gives a channel that yields when the clock has reached t, or earlier.
	Until(t time.Time) <-chan time.Time
}

type systemClock struct{}

func (systemClock) Now() time.Time { return time.Now() }
func (systemClock) Until(t time.Time) <-chan time.Time {
	return time.After(max(0, min(time.Until(t), time.Minute)))
}

// Options configures chat. Zero fields mean what stands beside them.
type Options struct {
	Targets []Target
	Clock   Clock          // the machine's
	Zone    *time.Location // the shop's, for times in messages and quiet hours; the machine's
	Log     zerolog.Logger // disabled
	Console io.Writer      // where console targets print; standard output
	// GiveUpAfter is for how long a message is tried. 24 h.
	GiveUpAfter time.Duration
	// Timeout bounds one attempt. 10 s.
	Timeout time.Duration
	// SetAside moves a damaged consumer out of the store; nil: that cannot be done from here, and a
	// target whose place is damaged is not told anything until somebody has.
	SetAside func(stream, consumer string) (*bus.Aside, error)

	ackWait  time.Duration                  // of tests; see ackWait
	sentHook func(target string, m Message) // of tests: called between sending and noting it
}

func (o Options) withDefaults() Options {
	if o.Clock == nil {
		o.Clock = systemClock{}
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Console == nil {
		o.Console = os.Stdout
	}
	if o.GiveUpAfter == 0 {
		o.GiveUpAfter = 24 * time.Hour
	}
	o.ackWait = cmp.Or(o.ackWait, ackWait)
	if o.Timeout == 0 {
		o.Timeout = attemptTimeout
	}
	return o
}

// Chat tells all targets.
type Chat struct {
	js      jetstream.JetStream
	o       Options
	targets []*teller

	mu      sync.Mutex
	work    context.Context // ends with Stop
	cancel  context.CancelFunc
	running sync.WaitGroup
}

// New checks the targets. js may be nil if only Test is wanted.
func New(js jetstream.JetStream, o Options) (*Chat, error) {
	o = o.withDefaults()
	c := &Chat{js: js, o: o}
	names := map[string]bool{}
	var errs []error
	for _, t := range o.Targets {
		if err := t.Validate(); err != nil {
			errs = append(errs, err)
			continue
		}
		if names[t.Name] {
			errs = append(errs, fmt.Errorf("chat target %s: there are two of this name", t.Name))
			continue
		}
		names[t.Name] = true
		w, err := c.newTeller(t)
		if err != nil {
			errs = append(errs, fmt.Errorf("chat target %s: %w", t.Name, err))
			continue
		}
		c.targets = append(c.targets, w)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return c, nil
}

// Start finds or makes each target's place in the record stream and begins to tell. When it
// returns, every change recorded from then on will be told.
func (c *Chat) Start(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cancel != nil {
		return errors.New("chat: started twice")
	}
	if len(c.targets) == 0 {
		return nil
	}
	kv, err := c.js.KeyValue(ctx, protocol.BucketSent)
	if err != nil {
		return fmt.Errorf("store %s: %w", protocol.BucketSent, err)
	}
	for _, t := range c.targets {
		t.sent = sent{kv: kv, target: t.Name, now: c.o.Clock.Now}
		var err error
		if t.fresh, err = t.bind(ctx, c.js); err != nil && !t.damaged {
			return err
		}
		if err != nil { // it is tried on, and the others are told
			t.without(err)
		}
	}
	work, cancel := context.WithCancel(context.WithoutCancel(ctx))
	c.work, c.cancel = work, cancel
	for _, t := range c.targets {
		c.running.Go(func() { t.run(work) })
		c.running.Go(func() { t.keepPlace(work) })
		if t.quiet != nil || t.Digest != "" {
			c.running.Go(func() { t.runDaily(work) })
		}
	}
	return nil
}

// Stop ends telling. A message that is just being sent is broken off and told again at the next
// start, unless the service has already taken it. It may be called twice, and before Start.
func (c *Chat) Stop(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cancel != nil {
		c.cancel()
	}
	done := make(chan struct{})
	go func() { c.running.Wait(); close(done) }()
	select {
	case <-done:
	case <-ctx.Done():
		return fmt.Errorf("chat: a target did not stop in time: %w", ctx.Err())
	}
	for _, t := range c.targets {
		t.service.close()
	}
	return nil
}

// Status is how a target is doing.
type Status struct {
	Target  string    `json:"target"`
	Service string    `json:"service"`
	Sent    uint64    `json:"sent"`            // messages delivered since the start
	GivenUp uint64    `json:"given_up"`        // messages given up since the start
	Waiting int       `json:"waiting"`         // attempts that failed for the message at hand; 0: none is stuck
	Since   time.Time `json:"since,omitzero"`  // first of those attempts
	Error   string    `json:"error,omitempty"` // why the last one failed
}

// Status lists every target.
func (c *Chat) Status() []Status {
	out := make([]Status, len(c.targets))
	for i, t := range c.targets {
		out[i] = t.snapshot()
	}
	return out
}

// Test sends one message to a target, once, and says what went wrong.
func Test(ctx context.Context, t Target, o Options) error {
	o.Targets = []Target{t}
	c, err := New(nil, o)
	if err != nil {
		return err
	}
	w := c.targets[0]
	defer w.service.close()
	text := "swathkeeper: a test message for " + t.Name + ".\nIf you can read this, alerts will reach you here."
	err = w.service.send(ctx, Message{
		Schema: SchemaMessage, ID: protocol.DerivedID(t.Name, c.o.Clock.Now().Format(time.RFC3339Nano)), Kind: KindTest,
		Target: t.Name, At: c.o.Clock.Now(), Title: firstLine(text), Text: text,
	})
	if err != nil {
		return fmt.Errorf("chat target %s: %s", t.Name, w.redact.text(err.Error()))
	}
	return nil
}
