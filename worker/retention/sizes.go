package retention

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Size is how much is kept of one kind of thing.
type Size struct {
	What   string    `json:"what"` // in words
	Stream string    `json:"stream"`
	Count  uint64    `json:"count"` // messages; of pictures and baselines, their parts
	Bytes  uint64    `json:"bytes"`
	Limit  int64     `json:"limit"` // bytes; -1: none
	From   time.Time `json:"from,omitzero"`
	To     time.Time `json:"to,omitzero"`
}

// Sizes tells how much is kept of each kind of thing; what is not there is left out.
func Sizes(ctx context.Context, js jetstream.JetStream) ([]Size, error) {
	var out []Size
	for _, k := range [][2]string{
		{"readings and notes", protocol.StreamInbox}, {"records", protocol.StreamRecord}, {"rows for looking back", protocol.StreamRows}, {"scans", protocol.StreamScans},
		{"baselines", "OBJ_" + protocol.BucketBaselines}, {"chart layouts", "KV_" + protocol.BucketCharts}, {"what chat has sent", "KV_" + protocol.BucketSent},
	} {
		s, err := js.Stream(ctx, k[1])
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", k[0], err)
		}
		i := s.CachedInfo()
		z := Size{What: k[0], Stream: k[1], Count: i.State.Msgs, Bytes: i.State.Bytes, Limit: i.Config.MaxBytes}
		if i.State.Msgs > 0 {
			z.From, z.To = i.State.FirstTime, i.State.LastTime
		}
		out = append(out, z)
	}
	return out, nil
}

// String says a size in words.
func (z Size) String() string {
	mb := func(b float64) string {
		if b < 1<<20 {
			return fmt.Sprintf("%.0f KB", b/(1<<10))
		}
		return fmt.Sprintf("%.0f MB", b/(1<<20))
	}
	s := z.What + " " + mb(float64(z.Bytes))
	if z.Limit > 0 {
		s += " of " + mb(float64(z.Limit))
	}
	return s
}
