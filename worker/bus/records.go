package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Records reads and commits records.
type Records struct {
	js     jetstream.JetStream
	stream jetstream.Stream
	// Inbox is when the inbox stream was created: its sequences mean nothing without it.
	Inbox time.Time
	inbox jetstream.Stream
	// leader makes Last ask the stream's leader; see lastAtLeader.
	leader bool
}

// FromLeader makes Last ask the leader where the stream is on several servers: whoever decides by a
// record must.
func (r *Records) FromLeader() *Records {
	r.leader = r.stream.CachedInfo().Config.Replicas > 1
	return r
}

func (r *Records) lastMessage(ctx context.Context, subject string) (*jetstream.RawStreamMsg, error) {
	if r.leader {
		return lastAtLeader(ctx, r.js.Conn(), protocol.StreamRecord, subject)
	}
	m, err := r.stream.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, nil
	}
	return m, err
}

// ErrConflict says that the printer has a newer record than the one the decision was made on.
var ErrConflict = errors.New("another record came first")

// OpenRecords binds to the streams, which must exist.
func OpenRecords(ctx context.Context, js jetstream.JetStream) (*Records, error) {
	rec, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", protocol.StreamRecord, err)
	}
	in, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
	}
	return &Records{js: js, stream: rec, inbox: in, Inbox: in.CachedInfo().Created.UTC()}, nil
}

// Stored is a record and where it stands in the stream.
type Stored struct {
	Seq    uint64
	Time   time.Time
	Record *protocol.Record // nil: none is readable under the subject
	// Top is the newest sequence under the subject, which a commit is guarded by. It differs from
	// Seq where something that is no record lies above the record, and is 0 where Damaged.
	Top uint64
	// Damaged says that the newest message under the subject is damaged on the disk: the server has it,
	// does not give it, and guards commits as if there were none. Record is the newest that it gives.
	Damaged bool
}

// lookBack bounds how many messages of the stream Last goes back past what is no record.
const lookBack = 10_000

// Last gives the newest record under a subject, which may hold wildcards; nil when there is none.
// Something else that was put there, by an administrator's mistake, is passed over: it must not
// stop the judging of every printer. A record of another version is an error, since a newer
// program's state must not be ignored.
func (r *Records) Last(ctx context.Context, subject string) (*Stored, error) {
	m, err := r.lastMessage(ctx, subject)
	if err != nil {
		return nil, fmt.Errorf("last record of %s: %w", subject, err)
	}
	if m == nil {
		return r.below(ctx, subject)
	}
	s := &Stored{Top: m.Sequence}
	for {
		rec, err := protocol.DecodeRecord(m.Data)
		if err == nil {
			s.Seq, s.Time, s.Record = m.Sequence, m.Time, rec
			return s, nil
		}
		if !IsForeign(m.Data) {
			return nil, fmt.Errorf("record %d: %w", m.Sequence, err)
		}
		if m, err = r.before(ctx, subject, m.Sequence, s.Top); err != nil {
			return nil, fmt.Errorf("last record of %s: %w", subject, err)
		}
		if m == nil {
			return s, nil
		}
	}
}

// below gives the newest readable record under a subject whose newest message the server does not give; nil
// where it has none at all.
func (r *Records) below(ctx context.Context, subject string) (*Stored, error) {
	info, err := r.stream.Info(ctx, jetstream.WithSubjectFilter(subject))
	if err != nil {
		return nil, fmt.Errorf("last record of %s: %w", subject, err)
	}
	if len(info.State.Subjects) == 0 {
		return nil, nil
	}
	m, err := r.lastMessage(ctx, subject)
	if err != nil {
		return nil, fmt.Errorf("last record of %s: %w", subject, err)
	}
	if m != nil { // it has come just now
		return r.Last(ctx, subject)
	}
	s := &Stored{Damaged: true}
	for back := uint64(64); s.Record == nil; back *= 8 {
		from := uint64(1)
		if last := info.State.LastSeq; last > back {
			from = last - back
		}
		err := ReadDirect(ctx, r.js, protocol.StreamRecord, subject, from, time.Time{}, func(m Message) error {
			rec, err := protocol.DecodeRecord(m.Data)
			if err != nil && !IsForeign(m.Data) {
				return fmt.Errorf("record %d: %w", m.Seq, err)
			}
			if err == nil {
				s.Seq, s.Time, s.Record = m.Seq, m.Time, rec
			}
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("last record of %s: %w", subject, err)
		}
		if from == 1 {
			break
		}
	}
	return s, nil
}

// before gives the message under a subject that precedes a sequence; nil when there is none.
func (r *Records) before(ctx context.Context, subject string, seq, top uint64) (*jetstream.RawStreamMsg, error) {
	for seq--; seq > 0; seq-- {
		if top-seq > lookBack {
			return nil, fmt.Errorf("%d messages below %d hold no record", lookBack, top)
		}
		m, err := r.stream.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue // expired, or removed
		}
		if err != nil {
			return nil, err
		}
		if server.SubjectsCollide(subject, m.Subject) {
			return m, nil
		}
	}
	return nil, nil
}

// IsForeign reports whether data in the record stream does not even claim to be a record of some
// version.
func IsForeign(data []byte) bool {
	var head struct {
		Schema string `json:"schema"`
	}
	return json.Unmarshal(data, &head) != nil || !strings.HasPrefix(head.Schema, "swathkeeper.record/")
}

// Input gives an inbox message by its sequence.
func (r *Records) Input(ctx context.Context, seq uint64) ([]byte, error) {
	m, err := r.inbox.GetMsg(ctx, seq)
	if err != nil {
		return nil, fmt.Errorf("inbox message %d: %w", seq, err)
	}
	return m.Data, nil
}

// Commit stores rec, encoded as data, if the printer's newest record still is the one at sequence last.
// It returns ErrConflict otherwise. The guard spans every kind and series of the printer, so that one printer
// has one history, whoever writes it.
func (r *Records) Commit(ctx context.Context, rec *protocol.Record, data []byte, last uint64) (uint64, error) {
	ack, err := r.js.Publish(ctx, protocol.RecordSubject(rec.Site, rec.Printer, rec.Kind, rec.Series), data,
		jetstream.WithMsgID(rec.ID),
		jetstream.WithExpectLastSequenceForSubject(last, protocol.PrinterRecords(rec.Site, rec.Printer)))
	if IsConflict(err) {
		return 0, ErrConflict
	}
	if err != nil {
		return 0, fmt.Errorf("commit of a record: %w", err)
	}
	if ack.Duplicate {
		// The same record was stored by an attempt whose answer was lost; the caller reads it again.
		return 0, ErrConflict
	}
	return ack.Sequence, nil
}

// IsConflict reports whether a message was not stored because another one came first.
func IsConflict(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && (api.ErrorCode == 10071 || api.ErrorCode == 10164)
}

// Printers lists every printer that has a record, as site and printer.
func (r *Records) Printers(ctx context.Context) ([][2]string, error) {
	info, err := r.stream.Info(ctx, jetstream.WithSubjectFilter(protocol.SubjectRecords))
	if err != nil {
		return nil, fmt.Errorf("printers: %w", err)
	}
	return splitPrinters(info.State.Subjects), nil
}
