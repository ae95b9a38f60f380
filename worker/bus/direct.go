package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Message is one of a stream.
type Message struct {
	Subject string
	Seq     uint64
	Time    time.Time
	Data    []byte
	Removed bool   // of a key-value store: the key was deleted
	Left    uint64 // how many more there are of those that were asked for
}

// directRequest asks a stream for many messages at once, without a consumer (NATS ADR-31).
type directRequest struct {
	Seq      uint64     `json:"seq,omitempty"`
	Since    *time.Time `json:"start_time,omitempty"`
	NextFor  string     `json:"next_by_subj,omitempty"`
	LastFor  []string   `json:"multi_last,omitempty"`
	Batch    int        `json:"batch,omitempty"`
	MaxBytes int        `json:"max_bytes,omitempty"`
}

// Bounds of what one answer holds: large enough that asking costs little, small enough to be held.
const (
	directBatch = 1000
	directBytes = pendingAtMost / 2 // so that a slow line is not taken for one that has stopped
	directLimit = 30 * time.Second  // between two messages of an answer
	// firstLimit is how long the first may take to come: a question that is not allowed, or that meets a
	// damaged block, has no answer at all.
	firstLimit = 10 * time.Second
)

// direct calls fn with each message of an answer, and gives how many are left after it.
func direct(ctx context.Context, nc *nats.Conn, stream string, req directRequest, fn func(Message) error) (left uint64, err error) {
	data, err := json.Marshal(req)
	if err != nil {
		return 0, err
	}
	sub, err := nc.SubscribeSync(nc.NewInbox())
	if err != nil {
		return 0, err
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := nc.PublishRequest("$JS.API.DIRECT.GET."+stream, sub.Subject, data); err != nil {
		return 0, err
	}
	for wait := firstLimit; ; wait = directLimit {
		limited, cancel := context.WithTimeout(ctx, wait)
		m, err := sub.NextMsgWithContext(limited)
		cancel()
		if err != nil {
			if cause := context.Cause(ctx); cause != nil {
				return 0, cause
			}
			return 0, fmt.Errorf("stream %s gives no answer within %s: it may not be read with these credentials, or is damaged: %w", stream, wait, err)
		}
		switch status := m.Header.Get("Status"); status {
		case "":
		case "204": // the end of the answer
			return strconv.ParseUint(m.Header.Get("Nats-Num-Pending"), 10, 64)
		case "404":
			return 0, nil
		case "503":
			return 0, nats.ErrNoResponders
		default:
			return 0, fmt.Errorf("stream %s answers %s %s", stream, status, m.Header.Get("Description"))
		}
		one := Message{Subject: m.Header.Get(jetstream.SubjectHeader), Data: m.Data, Removed: m.Header.Get("KV-Operation") != "" || m.Header.Get(jetstream.MarkerReasonHeader) != ""}
		one.Seq, err = strconv.ParseUint(m.Header.Get(jetstream.SequenceHeader), 10, 64)
		if err == nil {
			one.Left, _ = strconv.ParseUint(m.Header.Get("Nats-Num-Pending"), 10, 64)
			one.Time, err = time.Parse(time.RFC3339Nano, m.Header.Get(jetstream.TimeStampHeaer))
		}
		if err != nil {
			return 0, fmt.Errorf("stream %s: an answer without its place: %w", stream, err)
		}
		if err := fn(one); err != nil {
			return 0, err
		}
	}
}

// ReadDirect calls fn with each message of a stream under a subject, which may hold wildcards, from a
// sequence or a time on (0 and zero: from the first), oldest first, up to the newest there is. It
// needs no consumer, and so no right to create one.
func ReadDirect(ctx context.Context, js jetstream.JetStream, stream, subject string, from uint64, since time.Time, fn func(Message) error) error {
	req := directRequest{Seq: max(from, 1), NextFor: subject, Batch: directBatch, MaxBytes: directBytes}
	if !since.IsZero() && from == 0 {
		req.Seq, req.Since = 0, &since
	}
	return readDirect(ctx, js, stream, req, math.MaxUint64, fn)
}

// ReadBetween is ReadDirect from one sequence to another, both of them included.
func ReadBetween(ctx context.Context, js jetstream.JetStream, stream, subject string, from, to uint64, fn func(Message) error) error {
	return readDirect(ctx, js, stream, directRequest{Seq: max(from, 1), NextFor: subject, MaxBytes: directBytes}, to, fn)
}

// errBeyond ends an answer that holds more than was asked for.
var errBeyond = errors.New("beyond the last that is wanted")

func readDirect(ctx context.Context, js jetstream.JetStream, stream string, req directRequest, to uint64, fn func(Message) error) error {
	for req.Seq <= to {
		req.Batch = int(min(to-req.Seq, directBatch-1)) + 1
		last := uint64(0)
		left, err := direct(ctx, js.Conn(), stream, req, func(m Message) error {
			if m.Seq > to {
				return errBeyond
			}
			last = m.Seq
			return fn(m)
		})
		if errors.Is(err, errBeyond) {
			return nil
		}
		if err != nil {
			return err
		}
		if left == 0 || last == 0 {
			return nil
		}
		req.Seq, req.Since = last+1, nil
	}
	return nil
}

// FirstSince gives the first message of a stream that was stored at a time or later, and how many
// come after it; nil when there is none.
func FirstSince(ctx context.Context, js jetstream.JetStream, stream string, t time.Time) (*Message, error) {
	return firstOf(ctx, js, stream, directRequest{Since: &t})
}

// FirstFrom is FirstSince from a sequence on.
func FirstFrom(ctx context.Context, js jetstream.JetStream, stream string, seq uint64) (*Message, error) {
	return firstOf(ctx, js, stream, directRequest{Seq: seq})
}

func firstOf(ctx context.Context, js jetstream.JetStream, stream string, req directRequest) (*Message, error) {
	var first *Message
	req.NextFor, req.Batch = ">", 1
	_, err := direct(ctx, js.Conn(), stream, req, func(m Message) error {
		m.Data = nil
		first = &m
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", stream, err)
	}
	return first, nil
}
