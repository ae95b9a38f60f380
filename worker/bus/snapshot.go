package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/nats-io/nats.go"
)

// A snapshot is a stream as the server writes it down: its messages with their sequences and times,
// its creation time, and its consumers with their places. The client library has no call for it; the
// requests are those of the JetStream API (io.nats.jetstream.api.v1, stream snapshot and restore).

// SnapshotHead says what a snapshot is of, as the server tells it and wants it back.
type SnapshotHead struct {
	Config json.RawMessage `json:"config"`
	State  json.RawMessage `json:"state"`
}

const (
	snapshotChunk = 256 << 10
	// snapshotAhead is how much the server sends without an answer: well below what it holds for one
	// connection before it takes it for one that has stopped.
	snapshotAhead = pendingAtMost / 4
	snapshotWait  = 30 * time.Second // between two chunks
	restoreWait   = 5 * time.Minute  // for the server to take the whole
)

// apiError is how the server tells of a request that failed.
type apiError struct {
	Error *struct {
		Code        int    `json:"code"`
		Description string `json:"description"`
	} `json:"error"`
}

func (e apiError) err() error {
	if e.Error == nil {
		return nil
	}
	return fmt.Errorf("%s (%d)", e.Error.Description, e.Error.Code)
}

// Snapshot writes a stream down. Without consumers, their places are left out.
func Snapshot(ctx context.Context, nc *nats.Conn, stream string, consumers bool, w io.Writer) (*SnapshotHead, error) {
	sub, err := nc.SubscribeSync(nc.NewInbox())
	if err != nil {
		return nil, err
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := sub.SetPendingLimits(-1, -1); err != nil { // the server waits for what is on its way
		return nil, err
	}
	req, err := json.Marshal(map[string]any{"deliver_subject": sub.Subject, "no_consumers": !consumers, "chunk_size": snapshotChunk, "window_size": snapshotAhead, "jsck": true})
	if err != nil {
		return nil, err
	}
	m, err := request(ctx, nc, "$JS.API.STREAM.SNAPSHOT."+stream, req, snapshotWait)
	if err != nil {
		return nil, fmt.Errorf("snapshot of %s: %w", stream, err)
	}
	var head struct {
		apiError
		SnapshotHead
	}
	if err := json.Unmarshal(m.Data, &head); err != nil {
		return nil, fmt.Errorf("snapshot of %s: %w", stream, err)
	}
	if err := head.err(); err != nil {
		return nil, fmt.Errorf("snapshot of %s: %w", stream, err)
	}
	for {
		limited, cancel := context.WithTimeout(ctx, snapshotWait)
		m, err := sub.NextMsgWithContext(limited)
		cancel()
		if err != nil {
			return nil, fmt.Errorf("snapshot of %s: %w", stream, err)
		}
		if len(m.Data) == 0 {
			if status := m.Header.Get("Status"); status != "" && status != "204" {
				return nil, fmt.Errorf("snapshot of %s broke off: %s %s", stream, status, m.Header.Get("Description"))
			}
			return &head.SnapshotHead, nil
		}
		if _, err := w.Write(m.Data); err != nil {
			return nil, err
		}
		if m.Reply != "" {
			if err := m.Respond(nil); err != nil {
				return nil, fmt.Errorf("snapshot of %s: %w", stream, err)
			}
		}
	}
}

// Restore makes a stream of a snapshot. The stream must not be there.
func Restore(ctx context.Context, nc *nats.Conn, stream string, head *SnapshotHead, r io.Reader) error {
	req, err := json.Marshal(head)
	if err != nil {
		return err
	}
	m, err := request(ctx, nc, "$JS.API.STREAM.RESTORE."+stream, req, snapshotWait)
	if err != nil {
		return fmt.Errorf("restoring %s: %w", stream, err)
	}
	var to struct {
		apiError
		Deliver string `json:"deliver_subject"`
	}
	if err := json.Unmarshal(m.Data, &to); err != nil {
		return fmt.Errorf("restoring %s: %w", stream, err)
	}
	if err := to.err(); err != nil {
		return fmt.Errorf("restoring %s: %w", stream, err)
	}
	buf := make([]byte, snapshotChunk)
	for done := false; !done; {
		n, err := io.ReadFull(r, buf)
		wait := snapshotWait
		switch {
		case err == io.EOF:
			done, wait = true, restoreWait // an empty message is the end
		case errors.Is(err, io.ErrUnexpectedEOF):
		case err != nil:
			return fmt.Errorf("restoring %s: %w", stream, err)
		}
		m, err := request(ctx, nc, to.Deliver, buf[:n], wait)
		if err != nil {
			return fmt.Errorf("restoring %s: %w", stream, err)
		}
		var answer apiError
		if len(m.Data) > 0 && json.Unmarshal(m.Data, &answer) == nil && answer.Error != nil {
			return fmt.Errorf("restoring %s: %w", stream, answer.err())
		}
	}
	return nil
}

func request(ctx context.Context, nc *nats.Conn, subject string, data []byte, wait time.Duration) (*nats.Msg, error) {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	return nc.RequestWithContext(ctx, subject, data)
}
