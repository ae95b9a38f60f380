package bus

import (
	"context"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Writable asks a bus outside whether the streams that readings and records lie in still take
// anything. A NATS server whose disk was full goes on answering questions about such a stream and
// takes nothing more for it until the server is started again; whoever publishes hears nothing at
// all. It does say so to who asks it to remove messages, so it is asked to remove those of a printer
// that cannot exist.
func Writable(ctx context.Context, js jetstream.JetStream) error {
	const nobody = protocol.NoSeries // no token begins with a dash
	for stream, subject := range map[string]string{
		protocol.StreamInbox:  protocol.ReadingSubject(nobody, nobody),
		protocol.StreamRecord: protocol.RecordSubject(nobody, nobody, nobody, nobody),
	} {
		s, err := js.Stream(ctx, stream)
		if err == nil && !s.CachedInfo().Config.DenyPurge { // else it cannot be asked
			err = s.Purge(ctx, jetstream.WithPurgeSubject(subject))
		}
		if err != nil {
			return fmt.Errorf("stream %s: %w", stream, err)
		}
	}
	return nil
}
