// Package worker is the running system: it takes readings from the inbox in order, judges each,
// and stores one record for each. It is a library first: New, Start, Stop and Run serve the
// program, the demo and the tests alike.
package worker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/health"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/retention"
	"swathkeeper/worker/zones"
)

// Options configures a worker. Only DataDir, or Bus for an outside one, must be given.
type Options struct {
	// DataDir is the folder of the embedded bus. Empty: an outside bus is used.
	DataDir string
	// Listen is where the embedded bus listens, HOST:PORT; empty: nowhere. Beyond loopback somebody
	// must have been granted a key.
	Listen string
	// ListenCert and ListenKey are PEM files of the certificate that the embedded bus shows.
	ListenCert, ListenKey string
	// NoSync lets the disk lag behind: faster, and a power cut may lose what stations were told is
	// safe.
	NoSync bool
	// LockWait is how long to wait for another program to leave the data folder.
	LockWait time.Duration
	// Limits bounds the streams and stores, and says into how many parts the inbox is divided; zero: the
	// defaults.
	Limits bus.Limits
	// Bus says how to reach an outside bus.
	Bus bus.ConnectOptions

	Judge judge.Options
	Alert alert.Options
	// Chat names who is told. Its clock and log are the worker's.
	Chat chat.Options

	// Keep says how long things are kept; nil: the defaults.
	Keep *retention.Policy

	// Name is how this worker is called among those on one bus; empty: the machine's name.
	Name string
	// Health is where /healthz, /readyz and /metrics are answered, HOST:PORT; empty: nowhere.
	// HealthElse is taken where Health is in use; empty: that is an error.
	Health, HealthElse string

	// Alive is an address that is called every AliveEvery (0: five minutes) while bus, store and
	// judging work, so that whoever answers there misses a dead worker. AliveInside lets it lead to
	// this machine.
	Alive       string
	AliveEvery  time.Duration
	AliveInside bool

	Clock   Clock // nil: the machine's
	Log     zerolog.Logger
	Version string
	// OnRecord is told of every record that this worker stores, those of a printer in order, one at a
	// time. It must not block.
	OnRecord func(*protocol.Record)
}

// Worker judges readings until it is stopped.
type Worker struct {
	o        Options
	conn     *nats.Conn
	js       jetstream.JetStream
	embed    *bus.Embedded
	keepers  []*keeper     // one for each part of the inbox
	before   atomic.Value  // []*keeper: of an earlier division's parts, while those are judged first
	division *bus.Division // of the inbox, as it was at the start
	shared   *shared
	same     func(context.Context) error // fails when the inbox was made anew; nil: it cannot be
	metrics  *health.Metrics
	prober   *prober
	gone     *bus.Gone  // what the store had lost at the start; nil: nothing
	health   string     // where it answers
	failed   chan error // a fault that the worker cannot mend by itself
	undo     []teardown // in the order of setting up
	started  bool

	startedAt time.Time

	current                            atomic.Pointer[consuming] // who takes inputs now
	stallLook, stallAfter, giveUpAfter time.Duration
	watchEvery                         time.Duration
	takeAnew                           func(context.Context, *consuming, *keeper) error

	stop    sync.Once
	stopErr error
}

// teardown is one thing to undo, with a name for the error message.
type teardown struct {
	name string
	run  func(context.Context) error
}

// stopLimit bounds how long stopping may take.
const stopLimit = 15 * time.Second

// New checks the options. Nothing is opened yet.
func New(o Options) (*Worker, error) {
	if o.DataDir == "" && o.Bus.URL == "" && o.Bus.Context == "" {
		return nil, errors.New("worker: give a data folder for the embedded bus, or the address of an outside one")
	}
	if o.DataDir != "" && (o.Bus.URL != "" || o.Bus.Context != "") {
		return nil, errors.New("worker: give a data folder or an outside bus, not both")
	}
	if err := o.Judge.Drift.WithDefaults().Validate(); err != nil {
		return nil, fmt.Errorf("worker: %w", err)
	}
	if o.Keep != nil {
		if err := o.Keep.Validate(); err != nil {
			return nil, fmt.Errorf("worker: %w", err)
		}
	}
	if o.Clock == nil {
		o.Clock = SystemClock{}
	}
	if o.Limits == (bus.Limits{}) {
		o.Limits = bus.DefaultLimits()
	}
	if o.Name == "" {
		o.Name = defaultName()
	}
	if o.Alive != "" {
		if _, err := chat.NewCaller(o.Alive, o.AliveInside); err != nil {
			return nil, fmt.Errorf("worker: alive: %w", err)
		}
	}
	return &Worker{
		o: o, failed: make(chan error, 1), metrics: health.NewMetrics(o.Version), stallLook: stallLook, stallAfter: stallAfter, giveUpAfter: giveUpAfter, watchEvery: watchEvery,
		takeAnew: func(ctx context.Context, c *consuming, k *keeper) error { return c.again(ctx, k) },
	}, nil
}

// Wait works on until ctx ends or something breaks for good, and then stops the worker.
func (w *Worker) Wait(ctx context.Context) error {
	var cause error
	select {
	case <-ctx.Done():
	case cause = <-w.failed:
	}
	stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
	defer cancel()
	return errors.Join(cause, w.Stop(stopCtx))
}

// Start sets everything up and returns when readings are being judged. On an error all that was
// set up is undone.
func (w *Worker) Start(ctx context.Context) error {
	if w.started {
		return errors.New("worker: started twice")
	}
	w.started, w.startedAt = true, time.Now()
	if err := w.setup(ctx); err != nil {
		stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
		defer cancel()
		return errors.Join(err, w.Stop(stopCtx))
	}
	return nil
}

// Stop ends the worker: the input being worked on is finished, the rest stays in the inbox. It may
// be called twice, and before Start.
func (w *Worker) Stop(ctx context.Context) error {
	w.stop.Do(func() {
		var errs []error
		for _, t := range slices.Backward(w.undo) {
			if err := t.run(ctx); err != nil {
				errs = append(errs, fmt.Errorf("stopping %s: %w", t.name, err))
			}
		}
		w.stopErr = errors.Join(errs...)
	})
	return w.stopErr
}

func (w *Worker) onStop(name string, run func(context.Context) error) {
	w.undo = append(w.undo, teardown{name, run})
}

// fail ends Run with err; only the first one counts.
func (w *Worker) fail(err error) {
	select {
	case w.failed <- err:
	default:
	}
}

// Conn is the worker's own connection; nil before Start.
func (w *Worker) Conn() *nats.Conn { return w.conn }

// JetStream is the worker's own access to streams and stores; nil before Start.
func (w *Worker) JetStream() jetstream.JetStream { return w.js }

// Endpoint says where the embedded bus listens; zero when it does not.
func (w *Worker) Endpoint() bus.Endpoint {
	if w.embed == nil {
		return bus.Endpoint{}
	}
	return w.embed.Endpoint
}

// setup goes from the ground up; what it registers for stopping runs in the reverse order.
func (w *Worker) setup(ctx context.Context) error {
	if err := w.openBus(ctx); err != nil {
		return err
	}
	records, err := bus.OpenRecords(ctx, w.js)
	if err != nil {
		return err
	}
	stores, err := bus.OpenStores(ctx, w.js)
	if err != nil {
		return err
	}
	if stores, err = stores.FromLeader(ctx); err != nil {
		return err
	}
	w.onStop("stores", func(context.Context) error { stores.Close(); return nil })
	w.tellZone(ctx)
	w.tellCertificate(ctx)

	clerk := w.startRows()
	wake := make(chan struct{}, 1)
	if w.embed == nil {
		w.same = w.sameInbox(records.Inbox)
	}
	err = w.makeParts(ctx, &shared{records: records.FromLeader(), stores: stores, models: newModels(), clerk: clerk, wakeup: func() {
		select {
		case wake <- struct{}{}:
		default:
		}
	}})
	if err != nil {
		return err
	}
	// Chat comes before the judge, so that a new target's consumer, which starts with what is new,
	// misses nothing that this worker decides.
	co := w.o.Chat
	co.Clock, co.Log = w.o.Clock, w.o.Log.With().Str("part", "chat").Logger()
	if w.embed != nil {
		co.SetAside = w.embed.SetAside
	}
	talk, err := chat.New(w.js, co)
	if err != nil {
		return err
	}
	if err := talk.Start(ctx); err != nil {
		return err
	}
	w.onStop("chat", talk.Stop)
	w.prober = &prober{w: w, talk: talk}
	if err := w.eachPrinter(ctx, func(k *keeper, site, name string) error { return k.wakePrinter(ctx, site, name) }); err != nil {
		return err
	}
	w.startTimers(wake)
	w.startPruning()
	w.startPruningScans()
	w.startWatching()
	if w.embed == nil {
		w.startRefreshing(wake)
	}
	if err := w.startJudging(ctx); err != nil {
		return err
	}
	if err := w.bePresent(ctx, talk); err != nil {
		return err
	}
	if err := w.startHealth(); err != nil {
		return err
	}
	return w.startAlive()
}

func (w *Worker) openBus(ctx context.Context) error {
	co := w.o.Bus
	co.Name = "swathkeeper worker " + w.o.Version
	co.Log, co.Patient = w.o.Log, true
	if w.o.DataDir != "" {
		e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{
			Dir: w.o.DataDir, Listen: w.o.Listen, Cert: w.o.ListenCert, Key: w.o.ListenKey, SyncAlways: !w.o.NoSync, MaxStore: w.o.Limits.Total(), LockWait: w.o.LockWait, Log: w.o.Log,
		})
		if err != nil {
			return err
		}
		w.embed, co.Embedded = e, e
		w.onStop("embedded bus", func(context.Context) error { e.Stop(); return nil })
	}
	denied, unreached := make(chan error, 1), make(chan error, 1)
	co.Denied, co.Unreached = firstOf(denied), firstOf(unreached)
	closing := make(chan struct{})
	co.Closed = func(err error) {
		select {
		case <-closing:
		default:
			w.fail(fmt.Errorf("the connection to the bus is closed for good: %w", err))
		}
	}
	var err error
	if w.conn, w.js, err = bus.Connect(ctx, co); err != nil {
		return err
	}
	w.onStop("connection", func(context.Context) error { close(closing); w.conn.Close(); return nil })
	if w.embed != nil {
		return w.provisionOwn(ctx)
	}
	// What many workers share is made once, by whoever runs it; a worker only looks at it.
	if err := w.firstCheck(ctx, denied, unreached); err != nil {
		if errors.Is(err, bus.ErrNotProvisioned) {
			return fmt.Errorf("this bus is not set up for swathkeeper: do `swathkeeper init --nats ...` once, as its administrator: %w", err)
		}
		return err
	}
	w.findGone(ctx)
	return nil
}

// provisionOwn makes what the own bus lacks. An inbox that cannot be divided anew yet stays as it is: only
// a worker that runs can judge what waits.
func (w *Worker) provisionOwn(ctx context.Context) error {
	w.findGone(ctx)
	err := w.provisionMending(ctx, w.o.Limits)
	if !errors.Is(err, bus.ErrStillWaiting) {
		return err
	}
	w.o.Log.Warn().Err(err).Int("partitions", w.o.Limits.Partitions).Msg("the inbox is not divided anew yet; this worker judges what waits first, and the next start after that divides it")
	l := w.o.Limits
	l.Partitions = 0
	return w.provisionMending(ctx, l)
}

// findGone says loudly what the store has lost, and keeps it for the worker's report: what is made anew
// is empty, and the worker works on as if nothing had been.
func (w *Worker) findGone(ctx context.Context) {
	gone, err := bus.FindGone(ctx, w.js)
	if err != nil || gone == nil { // provisioning says what is wrong
		return
	}
	w.gone = gone
	w.o.Log.Error().Strs("streams", gone.Streams).Strs("emptied", gone.Emptied).Uint64("held", gone.Held).Msg(gone.String())
}

// provisionMending makes what the own bus lacks, and makes anew a judge's place that a power cut has
// torn: the new one begins with the first input, and the records say of each whether it was judged.
func (w *Worker) provisionMending(ctx context.Context, l bus.Limits) error {
	var last *bus.DamagedConsumer
	for {
		err := bus.Provision(ctx, w.js, l)
		var d *bus.DamagedConsumer
		if !errors.As(err, &d) || last != nil && d.Name == last.Name {
			return err
		}
		last = d
		a, aside := w.embed.SetAside(d.Stream, d.Name)
		if aside != nil {
			return errors.Join(aside, err)
		}
		w.o.Log.Error().AnErr("why", d.Err).Str("consumer", d.Name).Str("to", a.To).Msg("the judge's place in the inbox was damaged: it is set aside and made anew; what has its record is passed over, and nothing is judged twice")
	}
}

// tellZone notes the shop's zone for whoever shows its times. Judging goes on without.
func (w *Worker) tellZone(ctx context.Context) {
	zone := w.o.Alert.Zone
	if zone == nil {
		return
	}
	before, err := bus.TellZone(ctx, w.js, zone)
	switch {
	case err != nil:
		w.o.Log.Warn().Err(err).Msg("times may be shown in another zone")
	case before != "" && before != zones.Name(zone):
		w.o.Log.Info().Str("zone", zone.String()).Str("before", before).Msg("the shop's time zone is another now")
	}
}

// tellCertificate says where stations meet another certificate than they were told to trust: the old one may
// have gone with its key, and a new one was made in its place.
func (w *Worker) tellCertificate(ctx context.Context) {
	shown := w.Endpoint().Fingerprint
	if shown == "" {
		return
	}
	before, err := bus.TellCertificate(ctx, w.js, shown)
	switch {
	case err != nil:
		w.o.Log.Warn().Err(err).Msg("another certificate at a later start would not be told from this one")
	case before != "" && before != shown:
		w.o.Log.Error().Str("fingerprint", shown).Str("before", before).Msg("the certificate is another than at the last start: stations that trust that one by its fingerprint do not connect; bring it and its key back from a copy, or give the new fingerprint to every station")
	}
}

// startRows keeps the rows for looking back beside the records.
func (w *Worker) startRows() *history.Clerk {
	clerk := history.NewClerk(w.js, w.o.Log.With().Str("part", "rows").Logger())
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		clerk.Run(ctx)
	}()
	w.onStop("rows", func(ctx context.Context) error {
		cancel()
		<-done
		// What is left is made at the next start; a moment is enough for most.
		ctx, enough := context.WithTimeout(ctx, rowsAtEnd)
		defer enough()
		if w.conn.IsConnected() {
			_ = clerk.CatchUp(ctx)
		}
		return nil
	})
	return clerk
}

// rowsAtEnd is how long the last rows may take when a worker stops.
const rowsAtEnd = 2 * time.Second

// startTimers lets the alert rules look at the clock when a printer's time has come.
func (w *Worker) startTimers(wake <-chan struct{}) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			next, err := w.tick(ctx)
			if err != nil && ctx.Err() == nil {
				w.o.Log.Error().Err(err).Msg("timers")
				next = w.o.Clock.Now().Add(10 * time.Second)
			}
			select {
			case <-ctx.Done():
			case <-wake:
			case <-w.o.Clock.Until(next):
			}
		}
	}()
	w.onStop("timers", func(context.Context) error { cancel(); <-done; return nil })
}

// refreshEvery is how often a worker that shares its bus with others reads what they have recorded.
const refreshEvery = 2 * time.Minute

// startRefreshing keeps a worker that stands by up to date.
func (w *Worker) startRefreshing(wake chan<- struct{}) {
	w.background("refreshing", func(ctx context.Context) {
		t := time.NewTicker(refreshEvery)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-t.C:
			}
			err := w.eachPrinter(ctx, func(k *keeper, site, name string) error {
				if time.Since(k.lastRecord()) < refreshEvery {
					return nil // it judges itself
				}
				return k.refreshPrinter(ctx, site, name)
			})
			if err != nil && ctx.Err() == nil {
				w.o.Log.Warn().Err(err).Msg("what other workers recorded could not be read; trying again")
			}
			select {
			case wake <- struct{}{}:
			default:
			}
		}
	})
}
