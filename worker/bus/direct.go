package bus

import (
	"cmp"
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
	most := directBatch
	if req.Batch > 0 {
		most = req.Batch
	}
	come := make(chan *nats.Msg, most+8)
	// Not by the client's own way to wait, which takes an empty message with a certain header for an error.
	sub, err := nc.ChanSubscribe(nc.NewInbox(), come)
	if err != nil {
		return 0, err
	}
	defer func() { _ = sub.Unsubscribe() }()
	closed := nc.StatusChanged(nats.CLOSED)
	defer nc.RemoveStatusListener(closed)
	if err := nc.PublishRequest("$JS.API.DIRECT.GET."+stream, sub.Subject, data); err != nil {
		return 0, err
	}
	least := req.Seq
	for wait := firstLimit; ; wait = directLimit {
		m, err := await(ctx, come, closed, wait)
		if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
			return 0, fmt.Errorf("stream %s gives no answer within %s: it may not be read with these credentials, or is damaged: %w", stream, wait, err)
		}
		if err != nil {
			return 0, err
		}
		switch status, words := statusOf(m); status {
		case "":
		case "204": // the end of the answer
			return strconv.ParseUint(lastOf(m.Header, "Nats-Num-Pending"), 10, 64)
		case "404":
			return 0, nil
		case "503":
			return 0, nats.ErrNoResponders
		default:
			return 0, fmt.Errorf("stream %s answers %s %s", stream, status, words)
		}
		one, err := placed(m)
		if err != nil || one.Seq < least {
			// Its sender has hidden where it stands.
			if one, err = unhidden(ctx, nc, stream, least, req); err != nil {
				return 0, err
			}
		}
		least = one.Seq + 1
		if err := fn(one); err != nil {
			return 0, err
		}
	}
}

// await waits for the next message of an answer.
func await(ctx context.Context, come <-chan *nats.Msg, closed <-chan nats.Status, limit time.Duration) (*nats.Msg, error) {
	select {
	case m := <-come:
		return m, nil
	default:
	}
	t := time.NewTimer(limit)
	defer t.Stop()
	select {
	case m := <-come:
		return m, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case <-closed:
		return nil, nats.ErrConnectionClosed
	case <-t.C:
		return nil, context.DeadlineExceeded
	}
}

// placed reads from a message of an answer where it stands.
func placed(m *nats.Msg) (Message, error) {
	one := Message{Subject: lastOf(m.Header, jetstream.SubjectHeader), Data: m.Data, Removed: m.Header.Get("KV-Operation") != "" || m.Header.Get(jetstream.MarkerReasonHeader) != ""}
	if !whole(m) {
		return one, errors.New("a part of its headers cannot be read")
	}
	var err error
	if one.Seq, err = strconv.ParseUint(lastOf(m.Header, jetstream.SequenceHeader), 10, 64); err != nil {
		return one, err
	}
	one.Left, _ = strconv.ParseUint(lastOf(m.Header, "Nats-Num-Pending"), 10, 64)
	one.Time, err = time.Parse(time.RFC3339Nano, lastOf(m.Header, jetstream.TimeStampHeaer))
	return one, err
}

// unhidden asks for the first message from a sequence on that an answer would hold, in the way in which
// the server tells of the place apart from the headers.
func unhidden(ctx context.Context, nc *nats.Conn, stream string, from uint64, req directRequest) (Message, error) {
	if len(req.LastFor) > 0 {
		return Message{}, fmt.Errorf("stream %s: a message whose headers hide where it stands", stream)
	}
	only := directRequest{Seq: from, NextFor: cmp.Or(req.NextFor, ">")}
	if from == 0 {
		if only.Since = req.Since; req.Since == nil {
			only.Seq = 1
		}
	}
	return told(ctx, nc, stream, only)
}

// told asks the stream's leader for one message, which answers with the place apart from the headers.
func told(ctx context.Context, nc *nats.Conn, stream string, req directRequest) (Message, error) {
	ask, err := json.Marshal(req)
	if err != nil {
		return Message{}, err
	}
	ctx, cancel := context.WithTimeout(ctx, firstLimit)
	defer cancel()
	m, err := nc.RequestWithContext(ctx, "$JS.API.STREAM.MSG.GET."+stream, ask)
	if err != nil {
		return Message{}, fmt.Errorf("stream %s: %w", stream, err)
	}
	var answer struct {
		Error   *jetstream.APIError `json:"error"`
		Message struct {
			Subject string    `json:"subject"`
			Seq     uint64    `json:"seq"`
			Data    []byte    `json:"data"`
			Time    time.Time `json:"time"`
		} `json:"message"`
	}
	if err := json.Unmarshal(m.Data, &answer); err != nil {
		return Message{}, fmt.Errorf("stream %s: %w", stream, err)
	}
	if e := answer.Error; e != nil {
		if e.Code == 404 {
			return Message{}, jetstream.ErrMsgNotFound
		}
		return Message{}, fmt.Errorf("stream %s: %w", stream, e)
	}
	return Message{Subject: answer.Message.Subject, Seq: answer.Message.Seq, Data: answer.Message.Data, Time: answer.Message.Time}, nil
}

// Next gives the first message of a stream from a sequence on under a subject, which may hold
// wildcards; jetstream.ErrMsgNotFound when there is none. Unlike a direct read it asks the leader, and
// does not believe what a sender wrote into a message's headers.
func Next(ctx context.Context, js jetstream.JetStream, stream string, from uint64, subject string) (Message, error) {
	return told(ctx, js.Conn(), stream, directRequest{Seq: max(from, 1), NextFor: subject})
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
