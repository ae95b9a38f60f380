package bus

import (
	"context"

	"swathkeeper/protocol"
)

// ReadAhead gives the inputs that stand in the inbox after a sequence, under a subject that may hold
// wildcards: the next few, most at most and of so many bytes, one at least, oldest first, none left out in
// between. On a bus of several servers any of them may answer, also one that is a moment behind; there are
// then fewer.
func (r *Records) ReadAhead(ctx context.Context, subject string, after uint64, most, bytes int) ([]Message, error) {
	var out []Message
	_, err := direct(ctx, r.js.Conn(), protocol.StreamInbox, directRequest{Seq: after + 1, NextFor: subject, Batch: most, MaxBytes: bytes}, func(m Message) error {
		out = append(out, m)
		return nil
	})
	return out, err
}
