package history

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Clerk writes the row of each record, in the records' order. It is told of the records that its
// worker commits, and reads the others; whatever it has not written when it ends, or crashes, it
// writes when it runs again. Each row is stored only if it follows the newest one, so two clerks
// never write a row twice: the one that comes second looks again where to go on.
type Clerk struct {
	js   jetstream.JetStream
	log  zerolog.Logger
	told chan told
}

type told struct {
	site, printer string
	row           storedRow
}

const (
	// toldKept is how many records may wait for their rows in memory; beyond, they are read from the
	// stream.
	toldKept = 1024
	// moment is how long rows are gathered before they are written: judging cannot wait, and rows
	// can, since a reader takes what has no row yet from the records.
	moment = 250 * time.Millisecond
	// rowsAtOnce is how many rows are on their way to the stream at a time.
	rowsAtOnce = 256
	// clerkWait is how long to wait after a fault, or when another clerk is at work.
	clerkWait = 2 * time.Second
	// clerkRest is how long to wait where the bus has no place for rows.
	clerkRest = 10 * time.Minute
)

// NewClerk makes a clerk; it works once Run is called.
func NewClerk(js jetstream.JetStream, log zerolog.Logger) *Clerk {
	return &Clerk{js: js, log: log, told: make(chan told, toldKept)}
}

// Tell hands over a record that was committed. It never blocks.
func (c *Clerk) Tell(seq uint64, rec *protocol.Record) {
	select {
	case c.told <- told{rec.Site, rec.Printer, rowOf(rec, seq, 0)}:
	default: // it will be read from the stream
	}
}

// Run writes rows until ctx ends.
func (c *Clerk) Run(ctx context.Context) {
	var lastErr string
	for ctx.Err() == nil {
		err := c.work(ctx)
		if ctx.Err() != nil {
			return
		}
		if err != nil && err.Error() != lastErr && !errors.Is(err, errOther) {
			lastErr = err.Error()
			c.log.Warn().Err(err).Msg("rows for looking back are behind; they will be made later")
		}
		wait := clerkWait
		if errors.Is(err, errNoRows) {
			wait = clerkRest
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		t.Stop()
	}
}

// errOther says that another clerk wrote meanwhile.
var errOther = errors.New("another worker is writing the rows")

// errNoRows says that the bus was set up before there were rows. Looking back then reads records.
var errNoRows = errors.New("the bus has no stream for rows; `swathkeeper init` makes it, and looking back is slow without")

// CatchUp writes every row that is missing now.
func (c *Clerk) CatchUp(ctx context.Context) error {
	w, err := c.begin(ctx)
	if err != nil {
		return err
	}
	return w.through(ctx, 0)
}

// work catches up and then writes rows as records come; it returns on a fault.
func (c *Clerk) work(ctx context.Context) error {
	w, err := c.begin(ctx)
	if err != nil {
		return err
	}
	if err := w.through(ctx, 0); err != nil {
		return err
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case t := <-c.told:
			batch := c.gather(ctx, t)
			// Parts of the inbox that are judged at a time tell of their records as it comes.
			slices.SortFunc(batch, func(a, b told) int { return cmp.Compare(a.row.Seq, b.row.Seq) })
			for _, t := range batch {
				switch {
				case t.row.Seq <= w.seq:
					continue
				case t.row.Seq > w.seq+1:
					err = w.through(ctx, t.row.Seq)
				default:
					err = w.put(t.site, t.printer, t.row)
				}
				if err != nil {
					return err
				}
			}
			if err := w.settle(ctx); err != nil {
				return err
			}
		}
	}
}

// gather takes what else is told within a moment.
func (c *Clerk) gather(ctx context.Context, first told) []told {
	batch := []told{first}
	t := time.NewTimer(moment)
	defer t.Stop()
	for len(batch) < toldKept/2 {
		select {
		case more := <-c.told:
			batch = append(batch, more)
		case <-t.C:
			return batch
		case <-ctx.Done():
			return batch
		}
	}
	return batch
}

// rowWriter knows where the rows stand.
type rowWriter struct {
	js    jetstream.JetStream
	seq   uint64 // of the record whose row was written last
	row   uint64 // sequence of that row
	epoch int64
	sent  []jetstream.PubAckFuture
}

// begin finds out where the rows stand. Rows of another record stream are thrown away.
func (c *Clerk) begin(ctx context.Context) (*rowWriter, error) {
	if _, err := c.js.Stream(ctx, protocol.StreamRows); errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, errNoRows
	}
	// The rows are looked at before the records: the other way round, another clerk's newest rows
	// would seem to be of records that are not there.
	sp, err := spanOf(ctx, c.js)
	if err != nil {
		return nil, err
	}
	rec, err := c.js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return nil, fmt.Errorf("records: %w", err)
	}
	info := rec.CachedInfo()
	w := &rowWriter{js: c.js, seq: sp.last, row: sp.lastRow, epoch: epochOf(info)}
	if sp.msgs > 0 && (sp.last == 0 || sp.epoch != w.epoch || sp.last > info.State.LastSeq) {
		s, err := c.js.Stream(ctx, protocol.StreamRows)
		if err != nil {
			return nil, fmt.Errorf("rows: %w", err)
		}
		if err := s.Purge(ctx); err != nil {
			return nil, fmt.Errorf("rows of another store: %w", err)
		}
		w.seq = 0
	}
	return w, nil
}

// through writes the rows of all records after w.seq, to record to; 0: to the newest.
func (w *rowWriter) through(ctx context.Context, to uint64) error {
	err := bus.ReadDirect(ctx, w.js, protocol.StreamRecord, protocol.SubjectRecords, w.seq+1, time.Time{}, func(m bus.Message) error {
		if to > 0 && m.Seq > to {
			return errEnough
		}
		rec, err := protocol.DecodeRecord(m.Data)
		if err != nil {
			if bus.IsForeign(m.Data) {
				return nil
			}
			return fmt.Errorf("record %d: %w", m.Seq, err)
		}
		return w.put(rec.Site, rec.Printer, rowOf(rec, m.Seq, 0))
	})
	if err != nil && !errors.Is(err, errEnough) {
		return err
	}
	return w.settle(ctx)
}

// put sends one row on its way.
func (w *rowWriter) put(site, printer string, row storedRow) error {
	row.Epoch = w.epoch
	seq := row.Seq
	data, err := json.Marshal(row)
	if err != nil {
		return fmt.Errorf("row of record %d: %w", seq, err)
	}
	f, err := w.js.PublishAsync(protocol.RowSubject(site, printer), data,
		jetstream.WithExpectLastSequence(w.row), jetstream.WithStallWait(10*time.Second))
	if err != nil {
		return fmt.Errorf("row of record %d: %w", seq, err)
	}
	w.seq, w.row = seq, w.row+1
	if w.sent = append(w.sent, f); len(w.sent) >= rowsAtOnce {
		return w.collect(context.Background(), rowsAtOnce/2)
	}
	return nil
}

// settle waits until every row sent is stored.
func (w *rowWriter) settle(ctx context.Context) error { return w.collect(ctx, 0) }

// collect waits until at most left rows are on their way.
func (w *rowWriter) collect(ctx context.Context, left int) error {
	for len(w.sent) > left {
		f := w.sent[0]
		t := time.NewTimer(10 * time.Second)
		var err error
		select {
		case <-f.Ok():
		case err = <-f.Err():
		case <-t.C:
			err = errors.New("no answer to a row within 10 s")
		case <-ctx.Done():
			err = ctx.Err()
		}
		t.Stop()
		if bus.IsConflict(err) {
			return errOther
		}
		if err != nil {
			return fmt.Errorf("rows: %w", err)
		}
		w.sent = w.sent[1:]
	}
	return nil
}
