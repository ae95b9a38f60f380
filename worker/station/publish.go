package station

import (
	"context"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Pack gives the bytes of a reading as they travel. What the worker would refuse on sight is
// refused here, before it is sent.
func Pack(r *protocol.Reading) ([]byte, error) {
	data, err := protocol.Encode(r)
	if err != nil {
		return nil, err
	}
	if _, err := protocol.DecodeReading(data); err != nil {
		return nil, err
	}
	return data, nil
}

// Publish stores a packed reading in the inbox and gives its place there; twice says that it was
// known already. The bus stores it once, however often it is sent within ten minutes; later the judge knows it.
func Publish(ctx context.Context, js jetstream.JetStream, r *protocol.Reading, data []byte) (seq uint64, twice bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	ack, err := js.Publish(ctx, protocol.ReadingSubject(r.Site, r.Printer), data,
		jetstream.WithMsgID(protocol.MsgID(r.Site, r.Printer, r.ID)), jetstream.WithExpectStream(protocol.StreamInbox))
	if err != nil {
		return 0, false, err
	}
	return ack.Sequence, ack.Duplicate, nil
}

// PublishNote stores a note in the inbox.
func PublishNote(ctx context.Context, js jetstream.JetStream, n *protocol.Note) (uint64, error) {
	if err := n.Validate(); err != nil {
		return 0, err
	}
	data, err := protocol.Encode(n)
	if err != nil {
		return 0, err
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	ack, err := js.Publish(ctx, protocol.NoteSubject(n.Site, n.Printer), data,
		jetstream.WithMsgID(protocol.MsgID(n.Site, n.Printer, n.ID)), jetstream.WithExpectStream(protocol.StreamInbox))
	if err != nil {
		return 0, err
	}
	return ack.Sequence, nil
}
