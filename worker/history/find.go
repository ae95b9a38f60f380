package history

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
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
// reading's or their note's, oldest first. The rows know records and readings; only where they know
// nothing are the records themselves looked through.
func Find(ctx context.Context, js jetstream.JetStream, prefix string, q Query) ([]Entry, error) {
	prefix = strings.ToLower(prefix)
	begins := func(id string) bool { return strings.HasPrefix(id, prefix) }
	found, err := q.byRow(ctx, js, prefix)
	if err != nil || len(found) > 0 {
		return found, err
	}
	q.with = func(data []byte) bool { return bytes.Contains(data, []byte(`"`+prefix)) }
	var out []Entry
	err = Read(ctx, js, q, func(e Entry) error {
		r := e.Record
		if begins(r.ID) || r.Verdict != nil && (begins(r.Verdict.ID) || begins(r.Verdict.Reading)) || r.Note != nil && begins(r.Note.ID) {
			out = append(out, e)
		}
		return nil
	})
	return out, err
}

// byRow finds records by the ids in their rows.
func (q Query) byRow(ctx context.Context, js jetstream.JetStream, prefix string) ([]Entry, error) {
	rec, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return nil, fmt.Errorf("records: %w", err)
	}
	sp, err := spanOf(ctx, js)
	if err != nil || sp.last == 0 || sp.epoch != epochOf(rec.CachedInfo()) {
		return nil, err
	}
	var seqs []uint64
	quick := []byte(`"` + prefix)
	err = q.scanRows(ctx, js, func(data []byte, _ string) error {
		if !bytes.Contains(data, quick) {
			return nil
		}
		var s storedRow
		if err := json.Unmarshal(data, &s); err != nil {
			return fmt.Errorf("row: %w", err)
		}
		if strings.HasPrefix(s.ID, prefix) || strings.HasPrefix(s.Reading, prefix) {
			seqs = append(seqs, s.Seq)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var out []Entry
	for _, seq := range seqs {
		e, err := entryAt(ctx, rec, seq)
		if err != nil {
			return nil, err
		}
		if e != nil { // else it was pruned
			out = append(out, *e)
		}
	}
	return out, nil
}
