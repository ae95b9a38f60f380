package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

// Puller takes the messages of a consumer of the inbox, one after another. The client library has a
// loop for that too, which takes every message without data that has a status for one of the server's:
// anybody who may send a reading could so tell the worker that its consumer was deleted, at every start
// anew. Here a message is what a consumer delivers, whatever it holds.
type Puller struct {
	js   jetstream.JetStream
	o    PullOptions
	ask  string // where messages are asked for
	sub  *nats.Subscription
	come chan *nats.Msg
	back chan nats.Status // the connection is there again

	left int    // how many messages the server may still send for what was asked
	pin  string // under which the server has chosen us; empty: it has not, or has chosen another
	dull bool   // the server has been silent, and that was said

	end    sync.Once
	quit   chan struct{}
	closed chan struct{}
}

// PullOptions say what to take, and what to do with it.
type PullOptions struct {
	Stream, Consumer string
	Batch            int                // how many messages are asked for at a time
	Expires          time.Duration      // how long the server keeps a question; below the pinned time
	Heartbeat        time.Duration      // how often it says that it does, at most half of Expires
	Handle           func(m *nats.Msg)  // acknowledges; called by one goroutine
	Gone             func(reason error) // the consumer is not there any more
	Log              zerolog.Logger
}

// pullAgain is how long to wait before asking again where the server could not answer.
const pullAgain = 250 * time.Millisecond

// Pull begins to take messages, until Drain.
func Pull(ctx context.Context, js jetstream.JetStream, o PullOptions) (*Puller, error) {
	if _, err := js.Consumer(ctx, o.Stream, o.Consumer); err != nil {
		return nil, fmt.Errorf("consumer %s: %w", o.Consumer, err)
	}
	p := &Puller{
		js: js, o: o, ask: "$JS.API.CONSUMER.MSG.NEXT." + o.Stream + "." + o.Consumer,
		come: make(chan *nats.Msg, 8*o.Batch), quit: make(chan struct{}), closed: make(chan struct{}),
	}
	nc := js.Conn()
	var err error
	if p.sub, err = nc.ChanSubscribe(nc.NewInbox(), p.come); err != nil {
		return nil, fmt.Errorf("consumer %s: %w", o.Consumer, err)
	}
	p.back = nc.StatusChanged(nats.CONNECTED)
	go p.run()
	return p, nil
}

// Drain asks for no more; what was delivered already is still handled. It may be called again.
func (p *Puller) Drain() { p.end.Do(func() { close(p.quit) }) }

// Closed is closed once the last message is handled.
func (p *Puller) Closed() <-chan struct{} { return p.closed }

func (p *Puller) run() {
	defer close(p.closed)
	defer p.js.Conn().RemoveStatusListener(p.back)
	back := p.back
	silence := time.NewTimer(0)
	defer silence.Stop()
	for {
		p.request()
		silence.Reset(2*p.o.Heartbeat + p.o.Heartbeat/2)
		select {
		case <-p.quit:
			p.rest()
			return
		case _, open := <-back:
			// What was asked before is forgotten. The place may still be ours: the server says so if not.
			p.left = 0
			if !open { // and the connection is closed for good
				back = nil
			}
		case <-silence.C:
			p.silent()
		case m := <-p.come:
			if delivered(m) {
				p.took(m)
			} else {
				p.said(m)
			}
		}
	}
}

// rest handles what was delivered before the server knew that no more is wanted.
func (p *Puller) rest() {
	// Not Unsubscribe at once: what is on its way to us would be thrown away, and wait for the next worker
	// until the server takes it for lost.
	_ = p.sub.Drain()
	_ = p.js.Conn().FlushTimeout(time.Second)
	defer func() { _ = p.sub.Unsubscribe() }()
	for {
		select {
		case m := <-p.come:
			if delivered(m) {
				p.o.Handle(m)
			}
		default:
			return
		}
	}
}

// pullRequest asks a consumer for messages (NATS ADR-13, with the priority groups of ADR-42).
type pullRequest struct {
	Batch     int           `json:"batch"`
	Expires   time.Duration `json:"expires"`
	Heartbeat time.Duration `json:"idle_heartbeat"`
	Group     string        `json:"group"`
	ID        string        `json:"id,omitempty"`
}

// request asks for more once half of what was asked for has come.
func (p *Puller) request() {
	if p.left > p.o.Batch/2 || !p.js.Conn().IsConnected() {
		return
	}
	data, err := json.Marshal(pullRequest{Batch: p.o.Batch - p.left, Expires: p.o.Expires, Heartbeat: p.o.Heartbeat, Group: p.o.Consumer, ID: p.pin})
	if err == nil {
		err = p.js.Conn().PublishRequest(p.ask, p.sub.Subject, data)
	}
	if err == nil {
		p.left = p.o.Batch
	} // else the connection is about to be found broken, and comes back
}

func (p *Puller) took(m *nats.Msg) {
	p.left = max(0, p.left-1)
	if pin := PinOf(m); pin != "" {
		p.pin = pin
	} else if p.pin == "" {
		p.pin = p.chosen()
	}
	p.dull = false
	p.o.Handle(m)
}

// chosen asks the server whom it has chosen, after a message whose sender hides that: it was delivered to
// us, and without the pin no more would be until the server chooses anew.
func (p *Puller) chosen() string {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	c, err := p.js.Consumer(ctx, p.o.Stream, p.o.Consumer)
	if err != nil {
		return ""
	}
	for _, g := range c.CachedInfo().PriorityGroups {
		if g.Group == p.o.Consumer {
			return g.PinnedClientID
		}
	}
	return ""
}

// said takes up what the server says of a question.
func (p *Puller) said(m *nats.Msg) {
	status, words := statusOf(m)
	if status != "100" { // that one says that there is nothing yet
		p.answered(m)
	}
	switch status {
	case "100", "404", "408": // nothing came within the time
		p.dull = false
	case "423": // another worker was chosen since
		p.pin = ""
	case "409":
		if strings.Contains(strings.ToLower(words), "deleted") && p.gone() {
			return
		}
		p.pause()
	default: // nobody answers: the bus is starting, or stopping
		p.left = 0
		p.pause()
	}
}

// answered takes off what a question that has ended did not bring.
func (p *Puller) answered(m *nats.Msg) {
	n, err := strconv.Atoi(lastOf(m.Header, headerLeft))
	if err != nil || n < 0 {
		n = p.left
	}
	p.left = max(0, p.left-n)
}

func (p *Puller) pause() {
	t := time.NewTimer(pullAgain)
	defer t.Stop()
	select {
	case <-p.quit:
	case <-t.C:
	}
}

// silent looks after a server that says nothing, not even that there is nothing.
func (p *Puller) silent() {
	p.left = 0
	if !p.js.Conn().IsConnected() || p.gone() || p.dull {
		return
	}
	p.dull = true
	p.o.Log.Warn().Str("consumer", p.o.Consumer).Msg("inbox: the bus is silent; it is asked again until it answers")
}

// gone tells of a consumer that is not there any more.
func (p *Puller) gone() bool {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	_, err := p.js.Consumer(ctx, p.o.Stream, p.o.Consumer)
	if !errors.Is(err, jetstream.ErrConsumerNotFound) && !errors.Is(err, jetstream.ErrStreamNotFound) {
		return false
	}
	p.o.Gone(fmt.Errorf("the consumer %s was deleted: %w", p.o.Consumer, err))
	return true
}
