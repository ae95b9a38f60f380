package doctor

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"

	"swathkeeper/protocol"
	"swathkeeper/worker/health"
)

// Ask collects the reports of every worker on a bus: it waits for a first answer until ctx ends, and
// then a moment longer for others.
func Ask(ctx context.Context, nc *nats.Conn) ([]health.Report, error) {
	inbox := nc.NewInbox()
	sub, err := nc.SubscribeSync(inbox)
	if err != nil {
		return nil, fmt.Errorf("asking the workers: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := nc.PublishRequest(protocol.SubjectStatus, inbox, nil); err != nil {
		return nil, fmt.Errorf("asking the workers: %w", err)
	}
	var out []health.Report
	for ctx.Err() == nil {
		m, err := sub.NextMsgWithContext(ctx)
		if err != nil || len(m.Data) == 0 { // an empty one says that nobody listens
			break
		}
		var r health.Report
		if err := json.Unmarshal(m.Data, &r); err != nil {
			return out, fmt.Errorf("asking the workers: %w", err)
		}
		if out = append(out, r); len(out) == 1 {
			limited, cancel := context.WithTimeout(ctx, time.Second)
			defer cancel()
			ctx = limited
		}
	}
	return out, nil
}
