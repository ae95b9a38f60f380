package history

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Rows are what makes looking back quick: one short row for each record, in the records' order, in
// a stream of its own. A record is some 10 KB, a row 0.4 KB, so a year of one printer among a
// thousand is found by reading a twentieth. Rows are made of the records: never the truth, and made
// again where they are missing. The newest row names the record it was made of, so a reader takes
// what is newer from the records themselves, and a writer knows where to go on.

// storedRow is a row as it stands in its stream; site and printer are in the subject.
type storedRow struct {
	Version int       `json:"v"`
	Seq     uint64    `json:"seq"`   // of its record
	Epoch   int64     `json:"epoch"` // when the record stream was created: sequences mean nothing without it
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	Tells   string    `json:"tells,omitempty"` // v, j, b: a verdict, a journal entry, a baseline
	Series  string    `json:"series,omitempty"`
	Level   string    `json:"level,omitempty"`
	Advice  string    `json:"advice,omitempty"`
	Channel string    `json:"channel,omitempty"`
	Mean    *float64  `json:"mean,omitempty"`
	P95     *float64  `json:"p95,omitempty"`
	Open    int64     `json:"open,omitempty"`
	Text    string    `json:"text"`
	ID      string    `json:"id"`
	Reading string    `json:"reading,omitempty"`
	Changes int       `json:"changes,omitempty"`
	// Marks are what can be asked for: advice, level, channel of every change and finding.
	Marks [][3]string `json:"marks,omitempty"`
}

const (
	rowVersion = 1
	// maxRowText bounds the one line of a record in its row.
	maxRowText = 4096
)

func rowOf(r *protocol.Record, seq uint64, epoch int64) storedRow {
	row := RowOf(r)
	s := storedRow{
		Version: rowVersion, Seq: seq, Epoch: epoch, At: row.At, Kind: row.Kind, Series: row.Series, Level: row.Level, Advice: row.Advice, Channel: row.Channel,
		Mean: row.MeanDE00, P95: row.P95DE00, Open: row.Open, Text: row.Text, ID: row.ID, Reading: row.Reading, Changes: len(r.Changes),
	}
	if len(s.Text) > maxRowText {
		s.Text = strings.ToValidUTF8(s.Text[:maxRowText], "") + "…"
	}
	for _, k := range [][2]string{{protocol.KindVerdict, "v"}, {protocol.KindJournal, "j"}, {protocol.KindBaseline, "b"}} {
		if is(k[0], r) {
			s.Tells += k[1]
		}
	}
	marks(r, func(advice, level, channel string) bool {
		s.Marks = append(s.Marks, [3]string{advice, level, channel})
		return false
	})
	return s
}

func (s *storedRow) row(site, printer string) Row {
	return Row{
		At: s.At, Site: site, Printer: printer, Kind: s.Kind, Series: s.Series, Level: s.Level, Advice: s.Advice, Channel: s.Channel,
		MeanDE00: s.Mean, P95DE00: s.P95, Open: s.Open, Text: s.Text, ID: s.ID, Reading: s.Reading,
	}
}

// wants is matches for rows.
func (q Query) wants(s *storedRow) bool {
	switch {
	case !q.Since.IsZero() && s.At.Before(q.Since), !q.Until.IsZero() && !s.At.Before(q.Until):
		return false
	case q.Changes && s.Changes == 0, q.Series != "" && q.Series != s.Series:
		return false
	}
	switch q.Kind {
	case "":
	case protocol.KindVerdict, protocol.KindJournal, protocol.KindBaseline:
		if !strings.Contains(s.Tells, q.Kind[:1]) {
			return false
		}
	default:
		if q.Kind != s.Kind {
			return false
		}
	}
	if q.Advice == "" && q.Level == "" && q.Channel == "" {
		return true
	}
	for _, m := range s.Marks {
		if q.marked(m[0], m[1], m[2]) {
			return true
		}
	}
	return false
}

// rowSpan says which records the rows were made of.
type rowSpan struct {
	msgs        uint64
	firstRow    uint64 // sequence of the oldest row
	lastRow     uint64 // sequence of the newest row
	first, last uint64 // sequences of the oldest and newest row's records
	epoch       int64
}

// spanOf looks at the ends of the rows. What is missing or not ours is an empty span.
func spanOf(ctx context.Context, js jetstream.JetStream) (rowSpan, error) {
	for try := 0; ; try++ {
		sp, err := spanNow(ctx, js)
		// A row at an end may go between two looks; when it is gone for good, the rows are damaged.
		if err != nil || sp.msgs == 0 || sp.last > 0 || try == 2 {
			return sp, err
		}
	}
}

func spanNow(ctx context.Context, js jetstream.JetStream) (rowSpan, error) {
	var sp rowSpan
	s, err := js.Stream(ctx, protocol.StreamRows)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return sp, nil
	}
	if err != nil {
		return sp, fmt.Errorf("rows: %w", err)
	}
	st := s.CachedInfo().State
	sp.msgs, sp.firstRow, sp.lastRow = st.Msgs, st.FirstSeq, st.LastSeq
	if st.Msgs == 0 {
		return sp, nil
	}
	var ends [2]storedRow
	for i, seq := range []uint64{st.FirstSeq, st.LastSeq} {
		m, err := s.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return sp, nil // it went just now, or was deleted by hand
		}
		if err != nil {
			return sp, fmt.Errorf("rows: %w", err)
		}
		if json.Unmarshal(m.Data, &ends[i]) != nil || ends[i].Version != rowVersion {
			return sp, nil
		}
	}
	if ends[0].Epoch == ends[1].Epoch && ends[0].Seq <= ends[1].Seq {
		sp.first, sp.last, sp.epoch = ends[0].Seq, ends[1].Seq, ends[1].Epoch
	}
	return sp, nil
}

// found is what a query found: a row, or, where there are no rows, a record.
type found struct {
	seq   uint64
	row   Row
	entry *Entry
}

// ReadRows calls fn with the row of each record that matches, oldest first. It reads rows, and
// records only where there are no rows of them.
func ReadRows(ctx context.Context, js jetstream.JetStream, q Query, fn func(Row) error) error {
	emit, flush := lastOnly(q.Last, func(f found) error {
		if f.entry != nil {
			return fn(RowOf(f.entry.Record))
		}
		return fn(f.row)
	})
	return q.walk(ctx, js, emit, flush)
}

// walk finds what matches, oldest first, by rows where there are any.
func (q Query) walk(ctx context.Context, js jetstream.JetStream, emit func(found) error, flush func() error) error {
	fromRecord := func(e Entry) error { return emit(found{seq: e.Seq, entry: &e}) }
	// The rows first: looked at later, they could be newer than the records just looked at.
	sp, err := spanOf(ctx, js)
	if err != nil {
		return err
	}
	rec, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	info := rec.CachedInfo()
	if q.rare() || sp.last == 0 || sp.epoch != epochOf(info) || sp.last > info.State.LastSeq {
		sp = rowSpan{} // there are none, or they are another store's
	}
	if sp.last > 0 {
		var back []found
		if q.Last > 0 {
			if back, err = q.rowsBack(ctx, js, sp); err != nil {
				return err
			}
		}
		if info.State.FirstSeq < sp.first && (q.Last <= 0 || len(back) < q.Last) {
			old := &reader{q: q, to: sp.first - 1, emit: fromRecord, flush: func() error { return nil }}
			if err := old.read(ctx, js); err != nil {
				return err
			}
		}
		if q.Last <= 0 {
			err = q.rows(ctx, js, sp.last, emit)
		}
		for _, f := range back {
			if err == nil {
				err = emit(f)
			}
		}
		if err != nil {
			return err
		}
	}
	if sp.last < info.State.LastSeq || q.Follow {
		newer := &reader{q: q, emit: fromRecord, flush: flush}
		if sp.last > 0 {
			newer.from = sp.last + 1
		}
		if err := newer.read(ctx, js); err != nil {
			return err
		}
	}
	return flush()
}

// rows gives the rows that match, up to that of record last.
func (q Query) rows(ctx context.Context, js jetstream.JetStream, last uint64, emit func(found) error) error {
	return q.scanRows(ctx, js, func(data []byte, subject string) error {
		f, err := q.row(data, subject, last)
		if f == nil || err != nil {
			return err
		}
		return emit(*f)
	})
}

// row reads a stored row; nil when it is not wanted, or newer than that of record last: what is
// newer than the look at the ends comes from its record.
func (q Query) row(data []byte, subject string, last uint64) (*found, error) {
	var s storedRow
	if err := json.Unmarshal(data, &s); err != nil {
		return nil, fmt.Errorf("row: %w", err)
	}
	t := strings.Split(subject, ".")
	if s.Seq > last || !q.wants(&s) || len(t) != 4 {
		return nil, nil
	}
	return &found{seq: s.Seq, row: s.row(t[2], t[3])}, nil
}

// backAtOnce is how many rows are looked at first for the last ones that match.
const backAtOnce = 1024

// rowsBack gives the last rows that match, q.Last of them or some more, oldest first. It goes back
// from the newest row by ever larger steps, so that a few last ones do not cost a look at all.
func (q Query) rowsBack(ctx context.Context, js jetstream.JetStream, sp rowSpan) ([]found, error) {
	var out []found
	step := uint64(max(backAtOnce, 4*min(q.Last, 1<<20)))
	since := time.Time{}
	if !q.Since.IsZero() {
		since = storedSince(q.Since)
	}
	for to := sp.lastRow; to >= sp.firstRow && to > 0; step *= 4 {
		from := sp.firstRow
		if to-from >= step {
			from = to - step + 1
		}
		var part []found
		early := false // what lies before need not be looked at
		err := bus.ReadBetween(ctx, js, protocol.StreamRows, q.rowSubject(), from, to, func(m bus.Message) error {
			early = early || m.Time.Before(since)
			f, err := q.row(m.Data, m.Subject, sp.last)
			if f != nil {
				part = append(part, *f)
			}
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("rows: %w", err)
		}
		if out = append(part, out...); len(out) >= q.Last || early || from == sp.firstRow {
			break
		}
		to = from - 1
	}
	return out, nil
}

// rowSubject is where the rows of what is asked for stand.
func (q Query) rowSubject() string {
	any := func(s string) string {
		if s == "" {
			return "*"
		}
		return s
	}
	return protocol.RowSubject(any(q.Site), any(q.Printer))
}

// scanRows gives every row of the printers and the time asked for, as it is stored.
func (q Query) scanRows(ctx context.Context, js jetstream.JetStream, fn func(data []byte, subject string) error) error {
	var since time.Time
	if !q.Since.IsZero() {
		since = storedSince(q.Since)
	}
	err := bus.ReadDirect(ctx, js, protocol.StreamRows, q.rowSubject(), 0, since, func(m bus.Message) error {
		return fn(m.Data, m.Subject)
	})
	if err != nil {
		return fmt.Errorf("rows: %w", err)
	}
	return nil
}

func epochOf(info *jetstream.StreamInfo) int64 { return info.Created.UnixNano() }

// marks calls fn with what a record can be asked for, until fn says that it is enough.
func marks(r *protocol.Record, fn func(advice, level, channel string) bool) bool {
	for _, c := range r.Changes {
		if fn(c.Advice, c.Level, c.Channel) {
			return true
		}
	}
	if r.Verdict != nil {
		for _, f := range r.Verdict.Findings {
			if fn(f.Advice, f.Level, f.Channel) {
				return true
			}
		}
	}
	if j := noteJournal(r); j != nil {
		return fn("", "", j.Channel)
	}
	return false
}

// marked reports whether a mark is asked for. A journal entry has neither advice nor level.
func (q Query) marked(advice, level, channel string) bool {
	return (q.Advice == "" || q.Advice == advice) && ranks[level] >= ranks[q.Level] && (q.Channel == "" || strings.EqualFold(q.Channel, channel))
}
