package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// ErrNotProvisioned says that a bus lacks a stream, store or consumer.
var ErrNotProvisioned = errors.New("is not there")

// Check looks at everything that Provision makes, changes nothing, and tells of all that is missing
// or would lose data. Streams named in without are not looked at: Look leaves scans out.
func Check(ctx context.Context, js jetstream.JetStream, without ...string) error {
	var errs []error
	away := false // without an answer there is no use in asking on
	look := func(name string, check func(jetstream.StreamConfig) error) {
		if away || slices.Contains(without, name) {
			return
		}
		s, err := js.Stream(ctx, name)
		switch {
		case errors.Is(err, jetstream.ErrStreamNotFound):
			err = fmt.Errorf("stream %s %w", name, ErrNotProvisioned)
		case err != nil:
			away = true
			err = fmt.Errorf("stream %s: %w", name, err)
		default:
			err = check(s.CachedInfo().Config)
		}
		errs = append(errs, err)
	}
	for _, want := range streams(Limits{}) {
		look(want.Name, func(c jetstream.StreamConfig) error { return checkStream(c, want) })
	}
	look(protocol.StreamScans, checkScans)
	for _, kv := range keyValues(Limits{}) {
		look("KV_"+kv.Bucket, func(c jetstream.StreamConfig) error {
			return checkStore(c, kv.TTL > 0, max(kv.MaxValueSize, leastValue))
		})
	}
	for _, o := range objects(Limits{}) {
		look("OBJ_"+o.Bucket, func(c jetstream.StreamConfig) error { return checkStore(c, o.TTL > 0, leastValue) })
	}
	if !away {
		errs = append(errs, checkParts(ctx, js))
	}
	return errors.Join(errs...)
}

// checkStream refuses a stream that would lose readings or records by itself, or let somebody who
// may only publish take them away.
func checkStream(c, want jetstream.StreamConfig) error {
	switch {
	case c.MaxAge != 0:
		return fmt.Errorf("stream %s forgets messages after %s; unjudged readings and the worker's memory would go: remove its max age", c.Name, c.MaxAge)
	case c.Discard != jetstream.DiscardNew:
		return fmt.Errorf("stream %s throws away old messages when it is full: set its discard policy to new", c.Name)
	case c.Retention != jetstream.LimitsPolicy:
		return fmt.Errorf("stream %s deletes what was acknowledged: set its retention to limits", c.Name)
	case c.MaxMsgsPerSubject > 0:
		return fmt.Errorf("stream %s keeps only %d messages a subject: remove that limit", c.Name, c.MaxMsgsPerSubject)
	case c.MaxMsgs > 0:
		return fmt.Errorf("stream %s takes nothing more after %d messages, however small: remove its max messages, its max bytes are enough", c.Name, c.MaxMsgs)
	case c.Storage != jetstream.FileStorage:
		return fmt.Errorf("stream %s is kept in memory: use file storage", c.Name)
	case c.PersistMode != jetstream.DefaultPersistMode:
		return fmt.Errorf("stream %s acknowledges before it has written: set its persist mode to default", c.Name)
	case c.NoAck:
		return fmt.Errorf("stream %s acknowledges nothing, so that nobody knows what it has: let it acknowledge", c.Name)
	case c.AllowMsgTTL:
		return fmt.Errorf("stream %s lets a message say when it is forgotten: do not allow message TTLs", c.Name)
	case c.AllowRollup:
		return fmt.Errorf("stream %s lets one message remove all others of its subject: do not allow rollups", c.Name)
	case len(c.Sources) > 0:
		return fmt.Errorf("stream %s is fed from %s, past who may publish what and in an order of its own: remove its sources", c.Name, sourceNames(c.Sources))
	case c.Mirror != nil || c.Sealed:
		return fmt.Errorf("stream %s takes no messages, being a mirror or sealed: it must be the stream that stations and workers publish to", c.Name)
	case c.SubjectTransform != nil && c.Name != protocol.StreamInbox: // the inbox's is looked at with its parts
		return fmt.Errorf("stream %s renames what it takes: remove its subject transform", c.Name)
	case !c.AllowDirect:
		return fmt.Errorf("stream %s does not allow direct reads: set allow direct", c.Name)
	case c.ConsumerLimits.InactiveThreshold > 0:
		return fmt.Errorf("stream %s deletes the place of a judge or a chat target that is away for %s: remove the inactive threshold of its consumer limits", c.Name, c.ConsumerLimits.InactiveThreshold)
	}
	if err := checkSize(c, want.MaxMsgSize); err != nil {
		return err
	}
	for _, s := range want.Subjects {
		if !slices.Contains(c.Subjects, s) {
			return fmt.Errorf("stream %s does not take %s: add this subject", c.Name, s)
		}
	}
	return nil
}

// checkStore refuses a key-value or object store that would forget by itself what must be kept.
func checkStore(c jetstream.StreamConfig, mayForget bool, least int32) error {
	switch {
	case c.Storage != jetstream.FileStorage:
		return fmt.Errorf("store %s is kept in memory: use file storage", c.Name)
	case c.MaxAge != 0 && !mayForget:
		return fmt.Errorf("store %s forgets what it holds after %s: remove its TTL", c.Name, c.MaxAge)
	case c.Discard != jetstream.DiscardNew:
		return fmt.Errorf("store %s throws away old values when it is full: set its discard policy to new", c.Name)
	case c.MaxMsgs > 0:
		return fmt.Errorf("store %s takes nothing more after %d messages, however small: remove its max messages, its max bytes are enough", c.Name, c.MaxMsgs)
	case c.AllowMsgTTL && !mayForget:
		return fmt.Errorf("store %s lets a value say when it is forgotten: do not allow message TTLs", c.Name)
	case c.Mirror != nil || c.Sealed || len(c.Sources) > 0:
		return fmt.Errorf("store %s is a mirror, sealed or fed from another stream: it must be the one that is written to", c.Name)
	}
	return checkSize(c, least)
}

// leastValue is what a store must take in one message: a layout, or a part of a baseline (128 KiB, the
// library's own).
const leastValue = 1 << 18

// checkSize refuses a stream that takes smaller messages only than what it is for.
func checkSize(c jetstream.StreamConfig, least int32) error {
	if c.MaxMsgSize > 0 && c.MaxMsgSize < least {
		return fmt.Errorf("stream %s takes no message above %d bytes: set its max message size to %d, or to none", c.Name, c.MaxMsgSize, least)
	}
	return nil
}

func sourceNames(list []*jetstream.StreamSource) string {
	var names []string
	for _, s := range list {
		names = append(names, s.Name)
	}
	return strings.Join(names, ", ")
}

// Remark is what a bus does that loses nothing, and that whoever looks after it should know.
type Remark struct {
	Text, Next string
}

// shortestWindow is for how long the inbox should know what was sent: a station whose answer was lost
// sends again within it.
const shortestWindow = 2 * time.Minute

// Remarks looks at what Check lets pass.
func Remarks(ctx context.Context, js jetstream.JetStream, without ...string) ([]Remark, error) {
	var out []Remark
	for _, name := range everything() {
		if slices.Contains(without, name) {
			continue
		}
		s, err := js.Stream(ctx, name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			continue // Check says so
		}
		if err != nil {
			return out, fmt.Errorf("stream %s: %w", name, err)
		}
		out = append(out, remarksOn(s.CachedInfo().Config)...)
	}
	return out, nil
}

func remarksOn(c jetstream.StreamConfig) []Remark {
	var out []Remark
	say := func(next, format string, args ...any) {
		out = append(out, Remark{fmt.Sprintf("stream "+c.Name+" "+format, args...), next})
	}
	if c.DenyPurge && (c.Name == protocol.StreamInbox || c.Name == protocol.StreamRecord) {
		say("nothing, if all is to be kept and the limit is watched; it cannot be taken back, only a new stream, filled from a copy (`swathkeeper export` and `import`), is without", "denies purging: what is older than it is kept stays, until the stream is full and takes nothing more")
	}
	if c.RePublish != nil {
		say("remove its republish setting, unless it was meant", "publishes all that it takes once more, under %s: whoever may listen there reads it, whatever they were granted", c.RePublish.Destination)
	}
	if c.Name == protocol.StreamInbox && c.Duplicates < shortestWindow {
		say(fmt.Sprintf("set its duplicate window to %s", InboxWindow), "knows the ids of what was sent for %s only: what a station sends again later is stored twice, and refused the second time", c.Duplicates)
	}
	if c.MaxConsumers > 0 && c.Name == protocol.StreamRecord {
		say("remove its max consumers", "allows %d consumers: each chat target needs one", c.MaxConsumers)
	}
	return out
}

// checkScans refuses a stream of pictures from which they can be taken away.
func checkScans(c jetstream.StreamConfig) error {
	switch {
	case c.MaxMsgsPerSubject != 1 || c.Discard != jetstream.DiscardNew || !c.DiscardNewPerSubject:
		return fmt.Errorf("stream %s lets a picture be replaced: set max messages per subject to 1, the discard policy to new, and discard new per subject", c.Name)
	case c.AllowRollup:
		return fmt.Errorf("stream %s lets one message remove others: do not allow rollups", c.Name)
	case c.AllowMsgTTL:
		return fmt.Errorf("stream %s lets a message say when it is forgotten: do not allow message TTLs", c.Name)
	case c.MaxMsgs > 0:
		return fmt.Errorf("stream %s takes nothing more after %d messages, however small: remove its max messages, its max bytes are enough", c.Name, c.MaxMsgs)
	case c.Mirror != nil || c.Sealed || len(c.Sources) > 0:
		return fmt.Errorf("stream %s is a mirror, sealed or fed from another stream: it must be the one that stations send their pictures to", c.Name)
	case c.Storage != jetstream.FileStorage:
		return fmt.Errorf("stream %s is kept in memory: use file storage", c.Name)
	case !c.AllowDirect:
		return fmt.Errorf("stream %s does not allow direct reads: set allow direct", c.Name)
	case !slices.Contains(c.Subjects, protocol.SubjectScans):
		return fmt.Errorf("stream %s does not take %s: add this subject", c.Name, protocol.SubjectScans)
	}
	return checkSize(c, scans(Limits{}).MaxMsgSize)
}
