package worker

import (
	"bytes"
	"context"
	"sync"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

// While one input's record is on its way to the disk, those that wait behind it are read and made
// ready. Nothing comes of it but time: an input gets its record only when the bus has delivered it,
// in its turn, and what was made ready counts only if it is of that input.

// prepared is what can be said of an input without knowing what came before it.
type prepared struct {
	reading *protocol.Reading
	err     error        // of decoding, the same as it would be later
	lines   *judge.Lines // nil: not looked for
}

// ahead is an input that was read before its turn.
type ahead struct {
	in   input
	done chan struct{} // closed when in.prepared is set
}

// Bounds of what is kept ready, in inputs and in bytes that are asked for at a time: by all parts of the
// inbox together, and by each of them at most and at least. The server looks through a part of the inbox for
// every question, so that whoever asks for few inputs at a time pays more for each.
const (
	aheadInputs, aheadInputsMost, aheadInputsLeast = 96, 24, 3
	aheadBytes, aheadBytesMost, aheadBytesLeast    = 4 << 20, 2 << 20, 256 << 10
)

// reader reads inputs ahead of their turn.
type reader struct {
	k       *keeper
	ctx     context.Context
	cancel  context.CancelFunc
	running sync.WaitGroup
	subject string        // of what is read
	most    int           // how many inputs are kept ready
	bytes   int           // how many bytes of inputs are asked for at a time
	slots   chan struct{} // how many are made ready at once, by all parts together

	mu      sync.Mutex
	from    uint64        // waiting holds all inputs from this sequence on, up to its last
	wait    []*ahead      // in their order
	reading chan struct{} // closed when what is being read is there; nil: nothing is being read
}

// newReader makes the reader of one of so many parts.
func newReader(k *keeper, subject string, parts int, slots chan struct{}) *reader {
	r := &reader{
		k: k, subject: subject, slots: slots,
		most:  max(aheadInputsLeast, min(aheadInputsMost, aheadInputs/parts)),
		bytes: max(aheadBytesLeast, min(aheadBytesMost, aheadBytes/parts)),
	}
	r.ctx, r.cancel = context.WithCancel(context.Background())
	return r
}

func (r *reader) stop() {
	r.mu.Lock() // from here on nothing is begun
	r.cancel()
	r.mu.Unlock()
	r.running.Wait()
}

// begin runs work beside the judging, unless the reader was stopped. The caller holds r.mu.
func (r *reader) begin(work func()) bool {
	if r.ctx.Err() != nil {
		return false
	}
	r.running.Go(work)
	return true
}

// take gives what was made ready of the input that was just delivered, nil if nothing was, and reads
// on when more inputs wait behind it.
func (r *reader) take(in input, pending uint64) *prepared {
	seq := in.seq
	r.mu.Lock()
	if seq+1 < r.from { // delivered again: what was read is not what follows it
		r.wait, r.from = nil, 0
	}
	var got *ahead
	for len(r.wait) > 0 && r.wait[0].in.seq <= seq {
		if r.wait[0].in.seq == seq {
			got = r.wait[0]
		}
		r.wait = r.wait[1:]
	}
	r.from = seq + 1
	if pending > 0 && len(r.wait) <= r.most/3 && r.reading == nil {
		after := seq
		if n := len(r.wait); n > 0 {
			after = r.wait[n-1].in.seq
		}
		if r.begin(func() { r.read(after) }) {
			r.reading = make(chan struct{})
		}
	}
	r.mu.Unlock()
	if got == nil {
		return nil
	}
	<-got.done
	if !got.in.is(in) {
		return nil
	}
	return got.in.prepared
}

// is reports whether an input that was read ahead is the one that was delivered. What the bus answers
// when it is asked holds the headers of whoever sent the input; what a consumer delivers says by itself
// what it is.
func (a *input) is(in input) bool {
	return a.seq == in.seq && a.subject == in.subject && a.came.Equal(in.came) && bytes.Equal(a.data, in.data)
}

// after gives the input that follows on a sequence; nil when it has not been read.
func (r *reader) after(seq uint64) *ahead {
	r.mu.Lock()
	defer r.mu.Unlock()
	if seq+1 < r.from {
		return nil
	}
	for _, a := range r.wait {
		if a.in.seq > seq {
			return a
		}
	}
	return nil
}

func (r *reader) read(after uint64) {
	list, err := r.k.records.ReadAhead(r.ctx, r.subject, after, r.most*2/3, r.bytes)
	r.mu.Lock()
	close(r.reading)
	r.reading = nil
	// Meanwhile inputs may have been delivered: those are not waited for any more. If one was delivered
	// again, what was read does not join on to what is waiting.
	joins := after+1 <= r.from
	if n := len(r.wait); n > 0 {
		joins = r.wait[n-1].in.seq == after
	}
	if err != nil || !joins {
		r.mu.Unlock()
		return
	}
	var fresh []*ahead
	for _, m := range list {
		if m.Seq < r.from || len(r.wait) >= r.most {
			continue
		}
		a := &ahead{in: input{subject: protocol.PlainInput(m.Subject), data: m.Data, seq: m.Seq, came: m.Time}, done: make(chan struct{})}
		r.wait = append(r.wait, a)
		fresh = append(fresh, a)
	}
	r.mu.Unlock()
	for _, a := range fresh {
		select {
		case r.slots <- struct{}{}:
		case <-r.ctx.Done():
			close(a.done)
			continue
		}
		r.running.Go(func() {
			defer func() { <-r.slots }()
			defer close(a.done)
			a.in.prepared = r.k.prepare(r.ctx, a.in)
		})
	}
}

// prepare does of an input's judging what needs no memory. What fails here, also by a fault of our
// own, is done again in the input's turn and told there.
func (k *keeper) prepare(ctx context.Context, in input) (done *prepared) {
	defer func() {
		if r := recover(); r != nil {
			k.log.Error().Uint64("inbox_seq", in.seq).Msgf("panic ahead of its turn: %v", r)
			done = nil
		}
	}()
	what, site, name, err := protocol.ParseInput(in.subject)
	if err != nil || what != "reading" {
		return nil
	}
	p := &prepared{}
	if p.reading, p.err = protocol.DecodeReading(in.data); p.err != nil || len(p.reading.Traces) == 0 {
		return p
	}
	chart, err := k.chart(ctx, p.reading.Chart, p.reading.Edition)
	if err != nil || chart.CheckReading(p.reading) != nil {
		return p
	}
	if m, known := k.models.usual(site, name, p.reading.Series()); known {
		if p.lines, err = judge.FindLines(chart, p.reading, m, k.judge); err != nil {
			p.lines = nil
		}
	}
	return p
}

// foreseen is a decision made ahead of its input's turn.
type foreseen struct {
	in input
	d  *decision
}

// chain decides on inputs ahead of their turn, each on what comes of the one before it, for as long
// as nothing else happens to their printers. It ends by itself where it does not know enough.
type chain struct {
	cancel context.CancelFunc
	out    chan *foreseen
}

// chainAhead is how many decisions may wait for their turn.
const chainAhead = 4

// startChain begins with what comes of a decision that is about to be stored.
func (k *keeper) startChain(seq uint64, p *printer, d *decision) {
	if k.reader == nil || d.after != nil || k.reader.after(seq) == nil {
		return
	}
	ctx, cancel := context.WithCancel(k.reader.ctx)
	c := &chain{cancel: cancel, out: make(chan *foreseen, chainAhead)}
	own := map[string]*printer{p.site + "." + p.name: p.with(d)}
	k.reader.mu.Lock()
	defer k.reader.mu.Unlock()
	begun := k.reader.begin(func() {
		defer close(c.out)
		for a := k.reader.after(seq); a != nil; {
			select {
			case <-a.done:
			case <-ctx.Done():
				return
			}
			f := k.foresee(ctx, own, a.in)
			if f == nil {
				return
			}
			// What follows is looked up first: once its turn has come the input is no longer there.
			a = k.reader.after(f.in.seq)
			select {
			case c.out <- f:
			case <-ctx.Done():
				return
			}
			if a == nil { // it may have been read meanwhile
				a = k.reader.after(f.in.seq)
			}
		}
	})
	if !begun {
		cancel()
		return
	}
	k.chain = c
}

// foresee decides on one input; own holds the printers as the chain leaves them.
func (k *keeper) foresee(ctx context.Context, own map[string]*printer, in input) *foreseen {
	what, site, name, err := protocol.ParseInput(in.subject)
	if err != nil || what != "reading" || in.prepared == nil {
		return nil
	}
	key := site + "." + name
	p := own[key]
	if p == nil {
		if p = k.copyOf(key); p == nil {
			return nil
		}
	}
	if !p.moved && in.seq <= p.state.InboxSeq {
		return nil
	}
	start := time.Now()
	d, err := k.decide(ctx, p, what, in)
	if err != nil || d.after != nil {
		return nil
	}
	if err := k.seal(p, d); err != nil {
		return nil
	}
	d.spent = time.Since(start)
	own[key] = p.with(d)
	return &foreseen{in: in, d: d}
}

// foreseen gives the decision on an input if the chain has made it; otherwise the chain ends.
func (k *keeper) foreseen(in input) *decision {
	if k.chain == nil {
		return nil
	}
	if f, ok := <-k.chain.out; ok && f.in.is(in) {
		return f.d
	}
	k.endChain()
	return nil
}

// endChain throws away what was decided ahead.
func (k *keeper) endChain() {
	if k.chain == nil {
		return
	}
	k.chain.cancel()
	for range k.chain.out { // until it has ended
	}
	k.chain = nil
}

// with gives the printer as it is once a decision on it is stored; the printer itself is left alone.
func (p *printer) with(d *decision) *printer {
	q := &printer{site: p.site, name: p.name, lastSeq: p.lastSeq, state: d.state, wake: d.wake, series: make(map[string]*judge.State, len(p.series)+1)}
	for s, st := range p.series {
		q.series[s] = st
	}
	if d.st != nil {
		q.series[d.series] = d.st
	}
	return q
}

// copyOf gives a printer as it is in memory, to be changed at will; nil when it is not there.
func (k *keeper) copyOf(key string) *printer {
	k.table.Lock()
	defer k.table.Unlock()
	p := k.known(key)
	if p == nil {
		return nil
	}
	q := *p
	q.series = make(map[string]*judge.State, len(p.series))
	for s, st := range p.series {
		q.series[s] = st
	}
	return &q
}
