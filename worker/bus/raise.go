package bus

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// everything names the streams of all that Provision makes, but for the rows: those are made of the records.
func everything() []string {
	names := []string{protocol.StreamInbox, protocol.StreamRecord, protocol.StreamScans}
	for _, c := range keyValues(Limits{}) {
		names = append(names, "KV_"+c.Bucket)
	}
	for _, c := range objects(Limits{}) {
		names = append(names, "OBJ_"+c.Bucket)
	}
	return names
}

// LeastReplicas gives the smallest number of servers that any of the streams is kept on, and the streams
// that are. The rows do not count, which are made of the records.
func LeastReplicas(ctx context.Context, js jetstream.JetStream) (least int, on []string, err error) {
	for _, name := range everything() {
		s, err := js.Stream(ctx, name)
		if err != nil {
			return 0, nil, fmt.Errorf("stream %s: %w", name, err)
		}
		n := max(1, s.CachedInfo().Config.Replicas)
		if least == 0 || n < least {
			least, on = n, nil
		}
		if n == least {
			on = append(on, name)
		}
	}
	return least, on, nil
}

// Raise gives streams that are there already more room and more servers, up to what l says; a zero leaves
// that as it is. Nothing is made smaller. It says of each stream what was changed, or why it was not.
func Raise(ctx context.Context, js jetstream.JetStream, l Limits) (said []string, err error) {
	room := map[string]int64{
		protocol.StreamInbox: l.Inbox, protocol.StreamRecord: l.Record, protocol.StreamScans: l.Scans,
		"OBJ_" + protocol.BucketBaselines: l.Baselines,
	}
	for _, name := range everything() {
		s, err := js.Stream(ctx, name)
		if err != nil {
			return said, fmt.Errorf("stream %s: %w", name, err)
		}
		c := s.CachedInfo().Config
		change := ""
		switch want := room[name]; {
		case want == 0 || want == c.MaxBytes:
		case c.MaxBytes <= 0:
			said = append(said, fmt.Sprintf("%s has no limit, and is left without", name))
		case want < c.MaxBytes:
			said = append(said, fmt.Sprintf("%s may hold %d MiB already; a limit is never lowered", name, c.MaxBytes>>20))
		default:
			change = fmt.Sprintf("%s may hold %d MiB now, before %d MiB", name, want>>20, c.MaxBytes>>20)
			c.MaxBytes = want
		}
		if have := max(1, c.Replicas); l.Replicas > have {
			if change != "" {
				change += "; "
			}
			change += fmt.Sprintf("%s is kept on %d servers now, before on %d", name, l.Replicas, have)
			c.Replicas = l.Replicas
		}
		if change == "" {
			continue
		}
		if _, err := js.UpdateStream(ctx, c); err != nil {
			return said, fmt.Errorf("stream %s stays as it is: %w", name, err)
		}
		said = append(said, change)
	}
	if l.Replicas == 0 {
		return said, nil
	}
	if err := raiseConsumers(ctx, js, l.Replicas); err != nil {
		return said, err
	}
	line, err := raiseRows(ctx, js, l.Replicas)
	if line != "" {
		said = append(said, line)
	}
	return said, err
}

// raiseRows puts the rows on more servers, where they were not made to be on one: the server cannot change
// how those are written.
func raiseRows(ctx context.Context, js jetstream.JetStream, replicas int) (string, error) {
	s, err := js.Stream(ctx, protocol.StreamRows)
	if err != nil {
		return "", fmt.Errorf("stream %s: %w", protocol.StreamRows, err)
	}
	c := s.CachedInfo().Config
	if c.Replicas >= replicas {
		return "", nil
	}
	if c.PersistMode != jetstream.DefaultPersistMode {
		return fmt.Sprintf("%s stays on one server, as it was made for one; it is made of the records, and lost with it is only the quick look back", c.Name), nil
	}
	before := c.Replicas
	c.Replicas = replicas
	if _, err := js.UpdateStream(ctx, c); err != nil {
		return "", fmt.Errorf("stream %s stays as it is: %w", c.Name, err)
	}
	return fmt.Sprintf("%s is kept on %d servers now, before on %d", c.Name, replicas, max(1, before)), nil
}

// raiseConsumers lets the places of the judges be kept on as many servers as the inbox.
func raiseConsumers(ctx context.Context, js jetstream.JetStream, replicas int) error {
	d, err := ReadDivision(ctx, js)
	if err != nil {
		return err
	}
	for _, p := range append(d.Parts, d.Before...) {
		cons, err := js.Consumer(ctx, protocol.StreamInbox, p.Consumer)
		if errors.Is(err, jetstream.ErrConsumerNotFound) {
			continue
		}
		if err != nil {
			return fmt.Errorf("consumer %s: %w", p.Consumer, err)
		}
		c := cons.CachedInfo().Config
		if c.Replicas == 0 || c.Replicas >= replicas {
			continue // as the stream's, or enough
		}
		c.Replicas = replicas
		if _, err := js.UpdateConsumer(ctx, protocol.StreamInbox, c); err != nil {
			return fmt.Errorf("consumer %s stays on %d servers: %w", p.Consumer, cons.CachedInfo().Config.Replicas, err)
		}
	}
	return nil
}
