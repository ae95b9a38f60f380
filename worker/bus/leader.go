package bus

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// leaderLimit is how long a leader may take to answer; one that was just killed never does.
const leaderLimit = 3 * time.Second

// lastAtLeader gives the newest message under a subject as the stream's leader has it; nil when there
// is none. Direct reads are answered by any replica, also by one that is a moment behind: a printer's
// newest record read from one replica and its series' from another could belong to two different
// moments, and the guard of the commit looks at the first alone.
func lastAtLeader(ctx context.Context, nc *nats.Conn, stream, subject string) (*jetstream.RawStreamMsg, error) {
	req, err := json.Marshal(struct {
		Last string `json:"last_by_subj"`
	}{subject})
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, leaderLimit)
	defer cancel()
	m, err := nc.RequestWithContext(ctx, "$JS.API.STREAM.MSG.GET."+stream, req)
	if err != nil {
		return nil, err
	}
	var answer struct {
		Error   *jetstream.APIError `json:"error"`
		Message *struct {
			Subject string    `json:"subject"`
			Seq     uint64    `json:"seq"`
			Data    []byte    `json:"data"`
			Time    time.Time `json:"time"`
		} `json:"message"`
	}
	if err := json.Unmarshal(m.Data, &answer); err != nil {
		return nil, fmt.Errorf("the leader of %s: %w", stream, err)
	}
	switch {
	case answer.Error != nil && answer.Error.ErrorCode == jetstream.JSErrCodeMessageNotFound:
		return nil, nil
	case answer.Error != nil:
		return nil, answer.Error
	case answer.Message == nil:
		return nil, fmt.Errorf("the leader of %s gives no message", stream)
	}
	return &jetstream.RawStreamMsg{Subject: answer.Message.Subject, Sequence: answer.Message.Seq, Data: answer.Message.Data, Time: answer.Message.Time}, nil
}
