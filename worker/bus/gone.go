package bus

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Gone is what a store lacks that was there before: nothing makes it again.
type Gone struct {
	Streams []string
	Held    uint64 // messages in the streams that are there
}

func (g *Gone) String() string {
	return fmt.Sprintf("%s not there, while the other streams hold %d messages: this store has lost a part; bring it back from a copy (`swathkeeper import`), for what is made anew is empty", strings.Join(g.Streams, ", "), g.Held)
}

// FindGone looks for streams that are missing while others hold messages; nil: there are none. Scans, rows
// and what chat has sent do not count: a store may be without them.
func FindGone(ctx context.Context, js jetstream.JetStream) (*Gone, error) {
	var g Gone
	for _, name := range []string{protocol.StreamInbox, protocol.StreamRecord, "KV_" + protocol.BucketCharts, "KV_" + protocol.BucketActive, "OBJ_" + protocol.BucketBaselines} {
		s, err := js.Stream(ctx, name)
		switch {
		case errors.Is(err, jetstream.ErrStreamNotFound):
			g.Streams = append(g.Streams, name)
		case err != nil:
			return nil, fmt.Errorf("stream %s: %w", name, err)
		default:
			g.Held += s.CachedInfo().State.Msgs
		}
	}
	if len(g.Streams) == 0 || g.Held == 0 {
		return nil, nil
	}
	return &g, nil
}
