package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Gone is what a store lacks that was there before: nothing makes it again.
type Gone struct {
	Streams []string // that are not there, while others hold messages
	Emptied []string // that are there and hold nothing, while others hold what cannot be without it
	Held    uint64   // messages in the streams that are there
}

func (g *Gone) String() string {
	var what []string
	if len(g.Streams) > 0 {
		what = append(what, strings.Join(g.Streams, ", ")+" not there")
	}
	if len(g.Emptied) > 0 {
		what = append(what, strings.Join(g.Emptied, ", ")+" empty")
	}
	return fmt.Sprintf("%s, while the other streams hold %d messages: this store has lost a part; bring it back from a copy (`swathkeeper import`), for what is made anew is empty", strings.Join(what, ", and "), g.Held)
}

// FindGone looks for streams that are missing while others hold messages, and for emptied ones; nil: there
// are none. Scans, rows and what chat has sent do not count: a store may be without them.
func FindGone(ctx context.Context, js jetstream.JetStream) (*Gone, error) {
	const record, charts, active, baselines = protocol.StreamRecord, "KV_" + protocol.BucketCharts, "KV_" + protocol.BucketActive, "OBJ_" + protocol.BucketBaselines
	var g Gone
	holds := map[string]uint64{}
	for _, name := range []string{protocol.StreamInbox, record, charts, active, baselines} {
		s, err := js.Stream(ctx, name)
		switch {
		case errors.Is(err, jetstream.ErrStreamNotFound):
			g.Streams = append(g.Streams, name)
		case err != nil:
			return nil, fmt.Errorf("stream %s: %w", name, err)
		default:
			holds[name] = s.CachedInfo().State.Msgs
			g.Held += holds[name]
		}
	}
	if g.Held == 0 {
		g.Streams = nil
	}
	emptied := func(name string) bool { n, there := holds[name]; return there && n == 0 }
	if emptied(record) {
		// Every input that is acknowledged has its record, and the newest of a printer is kept for ever.
		judged, err := hasJudged(ctx, js)
		if err != nil {
			return nil, err
		}
		if judged {
			g.Emptied = append(g.Emptied, record)
		}
	}
	used := uint64(0)
	if holds[active] > 0 {
		var err error
		if used, err = inForce(ctx, js, active); err != nil {
			return nil, err
		}
	}
	// What is taken out of a store leaves a mark that it was: one that was used never holds nothing.
	if emptied(charts) && used > 0 {
		g.Emptied = append(g.Emptied, charts)
	}
	if emptied(active) && holds[baselines] > 0 && !emptied(record) {
		g.Emptied = append(g.Emptied, active)
	}
	if emptied(baselines) && used > 0 {
		g.Emptied = append(g.Emptied, baselines)
	}
	if len(g.Streams) == 0 && len(g.Emptied) == 0 {
		return nil, nil
	}
	return &g, nil
}

// inForce counts the entries of baselines in force: a worker notes its shop's time zone beside them, which
// needs neither a baseline nor a layout.
func inForce(ctx context.Context, js jetstream.JetStream, stream string) (n uint64, err error) {
	s, err := js.Stream(ctx, stream)
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", stream, err)
	}
	i, err := s.Info(ctx, jetstream.WithSubjectFilter("$KV."+protocol.BucketActive+".*.*.*"))
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", stream, err)
	}
	for _, of := range i.State.Subjects {
		n += of
	}
	return n, nil
}

// hasJudged says whether any judge has acknowledged an input.
func hasJudged(ctx context.Context, js jetstream.JetStream) (bool, error) {
	d, err := ReadDivision(ctx, js)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	for _, p := range append(slices.Clone(d.Parts), d.Before...) {
		c, err := js.Consumer(ctx, protocol.StreamInbox, p.Consumer)
		if errors.Is(err, jetstream.ErrConsumerNotFound) {
			continue
		}
		if err != nil {
			return false, fmt.Errorf("consumer %s: %w", p.Consumer, err)
		}
		i := c.CachedInfo()
		floor := i.AckFloor.Stream
		if importedAfter(i.Config) && floor < i.Config.OptStartSeq {
			continue // it was told so, and has acknowledged nothing itself
		}
		if floor > 0 && i.AckFloor.Consumer > 0 {
			return true, nil
		}
	}
	return false, nil
}
