package worker

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/judge"
)

// decide turns an input into a record. An error is a passing fault: the input is tried again. What
// is wrong with the input itself becomes a refusal record.
func (k *keeper) decide(ctx context.Context, p *printer, what string, in input) (*decision, error) {
	d := &decision{state: p.state}
	d.state.Version, d.state.Inbox, d.state.InboxSeq, d.state.InboxAt = printerVersion, k.records.Inbox, in.seq, in.came
	d.state.Learning, d.state.Learned = maps.Clone(p.state.Learning), maps.Clone(p.state.Learned)
	if p.moved {
		for series, since := range d.state.Learning {
			if since > 0 {
				d.state.Learning[series] = 1 // places are counted anew, and those of before no longer compare
			}
		}
	}
	now := k.clock.Now()

	err := k.decideInput(ctx, p, d, what, in, now)
	var refusal *protocol.Refusal
	var known *knownDamage
	if err != nil && (in.faults >= maxFaults || errors.As(err, &known)) && !bus.IsAway(err) && !errors.As(err, &refusal) {
		var unread *bus.BaselineError
		if known == nil && errors.As(err, &unread) {
			k.models.spoiled(unread.Digest, err)
		}
		k.log.Error().Err(err).Uint64("inbox_seq", in.seq).Msg("given up on this input; it is kept in its refusal")
		err = &protocol.Refusal{Code: protocol.CodeNotJudged, Hint: "the worker failed on it, which is not the sender's fault: " + err.Error()}
	}
	if errors.As(err, &refusal) {
		k.refuse(p, d, in, refusal, now)
		return d, nil
	}
	if err != nil {
		return nil, err
	}
	return d, nil
}

// decideInput decides by the kind of input. A panic on the way is our own bug; it must cost one
// input, not the night's.
func (k *keeper) decideInput(ctx context.Context, p *printer, d *decision, what string, in input, now time.Time) (err error) {
	defer func() {
		if r := recover(); r != nil {
			k.log.Error().Bytes("stack", debug.Stack()).Uint64("inbox_seq", in.seq).Msgf("panic: %v", r)
			err = fmt.Errorf("internal fault: %v", r)
		}
	}()
	if what == "reading" {
		return k.decideReading(ctx, p, d, in, now)
	}
	return k.decideNote(ctx, p, d, in, now)
}

// refuse makes a decision a refusal: the input is kept as it came, and no state moves but the
// place in the inbox.
func (k *keeper) refuse(p *printer, d *decision, in input, why *protocol.Refusal, now time.Time) {
	r := *why
	sum := sha256.Sum256(in.data)
	r.SHA256, r.Bytes, r.Subject = hex.EncodeToString(sum[:]), len(in.data), in.subject
	r.Payload = in.data[:min(len(in.data), protocol.MaxRefusedPayload)]
	rec := k.newRecord(p, protocol.KindRefusal, "", in, now)
	// With the time at which it came: an inbox that was set back gives its places out a second time.
	rec.ID = protocol.DerivedID(fmt.Sprintf("%s#%d@%d", k.records.Inbox.Format(time.RFC3339Nano), in.seq, in.came.UnixNano()), "refusal")
	rec.Refusal = &r
	rec.Open = d.state.Alert.Open()
	rec.Text = fmt.Sprintf("%s: refused: %s", p.name, r.Text())
	d.record, d.series, d.st, d.after = rec, "", nil, nil
	d.state.Alert, d.state.Learning, d.state.Learned, d.state.Notes = p.state.Alert, p.state.Learning, p.state.Learned, p.state.Notes
	d.wake = p.wake
}

// sealOrRefuse seals a decision. One whose record cannot be stored, being too large, becomes a refusal: it
// would never be stored, and all that waits behind it would wait for ever.
func (k *keeper) sealOrRefuse(p *printer, d *decision, in input) error {
	err := k.seal(p, d)
	if err == nil {
		return nil
	}
	k.log.Error().Err(err).Uint64("inbox_seq", in.seq).Msg("the record of this input cannot be stored; the input is refused")
	if d.record.Refusal == nil {
		why := err.Error()
		var large *protocol.Refusal
		if errors.As(err, &large) {
			why = fmt.Sprintf("it would be larger than %d KB, with all that is remembered of this printer", protocol.MaxMessage/1000)
		}
		k.refuse(p, d, in, &protocol.Refusal{Code: protocol.CodeNotJudged, Hint: "its record cannot be stored, which is not the sender's fault: " + why}, k.clock.Now())
		if k.seal(p, d) == nil {
			return nil
		}
	}
	d.record.Refusal.Payload = nil // its size and digest stay
	return k.seal(p, d)
}

func (k *keeper) decideReading(ctx context.Context, p *printer, d *decision, in input, now time.Time) error {
	made := in.prepared
	if made == nil {
		made = &prepared{}
		made.reading, made.err = protocol.DecodeReading(in.data)
	}
	r, err := made.reading, made.err
	if err != nil {
		return err
	}
	if err := r.CheckSubject(p.site, p.name); err != nil {
		return err
	}
	err = r.CheckTime(now)
	d.inTime = err == nil
	if err != nil {
		if !p.clockBehind(now) {
			return err
		}
		k.log.Error().Time("clock", now).Time("last_record", p.state.Clock).Str("reading", r.ID).Msg("this machine's clock was set back; the reading is judged, since its own time may well be right; set the clock")
	}
	chart, err := k.chart(ctx, r.Chart, r.Edition)
	if err != nil {
		return err
	}
	if err := chart.CheckReading(r); err != nil {
		return err
	}
	series := r.Series()
	st, err := k.seriesState(ctx, p, series)
	if err != nil {
		return err
	}
	if st.Seen(r.ID) {
		hint := "this reading has its verdict already; a new reading needs a new id"
		if p.moved {
			hint = "this reading was judged before the store was moved; nothing is judged twice"
		}
		return &protocol.Refusal{Code: protocol.CodeDuplicateReading, Field: "id", Hint: hint}
	}
	model, err := k.model(ctx, st.Digest)
	if err != nil {
		return err
	}
	k.models.judgedBy(p.site, p.name, series, st.Digest)
	since, learning := p.learning(series)
	state := *st
	state.Learned = slices.DeleteFunc(slices.Clone(st.Learned), func(l judge.Learned) bool { return !learning || l.Seq < since })
	v, next, err := judge.Judge(judge.Input{Reading: r, Seq: in.seq, Chart: chart, Model: model, State: state, Learning: learning, Lines: made.lines, Other: k.otherStage(p, r)}, k.judge)
	if err != nil {
		return fmt.Errorf("reading %s: %w", r.ID, err)
	}
	learned := 0
	if learning && !v.Late {
		learned = len(next.Learned)
		if d.state.Learned == nil {
			d.state.Learned = map[string]int{}
		}
		d.state.Learned[series] = learned
	}
	astate, dec := alert.Next(p.state.Alert, alert.Input{Verdict: v}, now, k.alert)
	d.state.Alert, d.wake = astate, dec.NextWake
	d.series, d.st = series, &next
	rec := k.newRecord(p, protocol.KindVerdict, series, in, r.TakenAt)
	rec.ID = protocol.DerivedID(r.ID, fmt.Sprintf("record#%d", in.seq))
	rec.Verdict = v
	fill(rec, dec)
	rec.Text = verdictText(p.name, v, learned, dec.Text)
	d.record = rec
	return nil
}

func (k *keeper) decideNote(ctx context.Context, p *printer, d *decision, in input, now time.Time) error {
	n, err := protocol.DecodeNote(in.data)
	if err != nil {
		return err
	}
	if err := n.CheckSubject(p.site, p.name); err != nil {
		return err
	}
	if err := n.CheckTime(now); err != nil && !p.clockBehind(now) {
		return err
	}
	if slices.Contains(p.state.Notes, n.ID) {
		return &protocol.Refusal{Code: protocol.CodeDuplicateNote, Field: "id", Hint: "this note has its record already; a new note needs a new id"}
	}
	d.state.Notes = append(slices.Clone(p.state.Notes), n.ID)
	d.state.Notes = d.state.Notes[max(0, len(d.state.Notes)-notesKept):]
	kind := protocol.KindJournal
	switch {
	case n.Baseline != nil:
		kind = protocol.KindBaseline
	case n.Hold != nil || n.Close != nil:
		kind = protocol.KindAlert
		if err := knownAlert(p, n); err != nil {
			return err
		}
	}
	d.record = k.newRecord(p, kind, "", in, now)
	d.record.ID = protocol.DerivedID(n.ID, fmt.Sprintf("record#%d", in.seq))
	d.record.Note = n
	d.record.Text = noteText(p.name, n, k.alert.Zone)
	if n.Baseline != nil {
		if err := k.baselineNote(ctx, p, d, n); err != nil {
			return err
		}
	}
	astate, dec := alert.Next(p.state.Alert, alert.Input{Note: n}, now, k.alert)
	d.state.Alert, d.wake = astate, dec.NextWake
	fill(d.record, dec)
	if dec.Text != "" {
		d.record.Text += "; " + dec.Text
	}
	return nil
}

func knownAlert(p *printer, n *protocol.Note) error {
	field, key := "close.key", ""
	if n.Hold != nil {
		field, key = "hold.key", n.Hold.Key
	} else {
		key = n.Close.Key
	}
	if key == p.site+"/"+p.name+"/*" { // all of the printer's, now or later
		return nil
	}
	var open []string
	for _, a := range p.state.Alert.Open() {
		if a.Key == key {
			return nil
		}
		open = append(open, a.Key)
	}
	hint := "no alert is open on this printer"
	if len(open) > 0 {
		hint = "open on this printer: " + strings.Join(open, ", ")
	}
	return &protocol.Refusal{Code: protocol.CodeUnknownAlert, Field: field, Hint: hint}
}

// chart gives a known layout, or a refusal.
func (k *keeper) chart(ctx context.Context, id, edition string) (*protocol.Chart, error) {
	key := id + "." + edition
	k.cache.Lock()
	known := k.charts[key]
	k.cache.Unlock()
	if known != nil {
		return known, nil
	}
	c, err := k.stores.Chart(ctx, id, edition)
	if err != nil {
		return nil, err
	}
	if c == nil {
		hint := fmt.Sprintf("chart %s.%s is not known here; add its layout with `chart add`", id, edition)
		if edition == "" {
			hint = fmt.Sprintf("no chart %s without an edition is known here; name it with its edition, as `chart list` shows it, or add its layout with `chart add`", id)
		}
		return nil, &protocol.Refusal{Code: protocol.CodeUnknownChart, Field: "chart", Hint: hint}
	}
	k.cache.Lock()
	defer k.cache.Unlock()
	if len(k.charts) >= 64 {
		clear(k.charts)
	}
	k.charts[key] = c
	return c, nil
}

// model gives the prepared baseline of a digest; nil when there is none.
func (k *keeper) model(ctx context.Context, digest string) (*judge.Model, error) {
	if digest == "" {
		return nil, nil
	}
	if m := k.models.get(digest); m != nil {
		return m, nil
	}
	if err := k.models.damaged(digest); err != nil {
		return nil, err
	}
	data, err := k.stores.Baseline(ctx, digest)
	if err != nil {
		return nil, err
	}
	b, err := judge.DecodeBaseline(data)
	if err != nil {
		return nil, err
	}
	shared := k.models.share(b)
	m, err := judge.Prepare(b)
	if err != nil {
		return nil, err
	}
	k.models.keep(digest, m, len(data), shared)
	return m, nil
}
