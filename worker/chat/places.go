package chat

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Place is how far a target has come, as the bus knows it, whoever tells it and whether or not that
// program runs.
type Place struct {
	Target string `json:"target"`
	// Behind counts records with changes of alerts that the target has not dealt with; it is 0 most
	// of the time, and grows while its service cannot be reached or no worker runs.
	Behind uint64 `json:"behind"`
	// GivenUp is what could not be delivered in the last 30 days, newest first.
	GivenUp []Failure `json:"given_up,omitempty"`
	// Gone says that the target has no place any more: nobody has told it for a week, or ever.
	Gone bool `json:"gone,omitempty"`
}

// Places lists every target that has a place in the record stream or has given something up, in the
// order of their names. It is what a check of the whole installation shows of chat; it needs no
// configuration and holds no secret. It takes the credentials of an administrator.
func Places(ctx context.Context, js jetstream.JetStream) ([]Place, error) {
	stream, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", protocol.StreamRecord, err)
	}
	byName := map[string]*Place{}
	list := stream.ListConsumers(ctx)
	for c := range list.Info() {
		name, ok := strings.CutPrefix(c.Config.Durable, durablePrefix)
		if !ok {
			continue
		}
		byName[name] = &Place{Target: name, Behind: c.NumPending + uint64(c.NumAckPending)}
	}
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("places in stream %s: %w", protocol.StreamRecord, err)
	}
	failures, err := Failures(ctx, js, "")
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		err = nil // no worker has ever run here
	}
	if err != nil {
		return nil, err
	}
	for _, f := range failures {
		if byName[f.Target] == nil {
			byName[f.Target] = &Place{Target: f.Target, Gone: true}
		}
		byName[f.Target].GivenUp = append(byName[f.Target].GivenUp, f)
	}
	var out []Place
	for _, p := range byName {
		out = append(out, *p)
	}
	slices.SortFunc(out, func(a, b Place) int { return strings.Compare(a.Target, b.Target) })
	return out, nil
}
