package history

import (
	"bytes"
	"context"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// leastPrefix is how much of an id must be given.
const leastPrefix = 6

// IsIDPrefix reports whether s can be the beginning of an id.
func IsIDPrefix(s string) bool {
	if len(s) < leastPrefix || len(s) > 36 {
		return false
	}
	for i, r := range strings.ToLower(s) {
		dash := i == 8 || i == 13 || i == 18 || i == 23
		if dash != (r == '-') || !dash && !strings.ContainsRune("0123456789abcdef", r) {
			return false
		}
	}
	return true
}

// Find gives the records that answer to the beginning of an id: their own, their verdict's, their
// reading's or their note's, oldest first.
func Find(ctx context.Context, js jetstream.JetStream, prefix string, q Query) ([]Entry, error) {
	prefix = strings.ToLower(prefix)
	begins := func(id string) bool { return strings.HasPrefix(id, prefix) }
	q.with = func(data []byte) bool { return bytes.Contains(data, []byte(`"`+prefix)) }
	var out []Entry
	err := Read(ctx, js, q, func(e Entry) error {
		r := e.Record
		if begins(r.ID) || r.Verdict != nil && (begins(r.Verdict.ID) || begins(r.Verdict.Reading)) || r.Note != nil && begins(r.Note.ID) {
			out = append(out, e)
		}
		return nil
	})
	return out, err
}
