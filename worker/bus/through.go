package bus

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Looked is what a look through the newest messages of a stream has found.
type Looked struct {
	Read  uint64 // messages that came
	Lost  uint64 // messages that the stream counts, and that do not come: their place on the disk is damaged
	From  time.Time
	Whole bool // from the stream's first message on
}

// LookThrough reads the newest messages of a stream, at most most of them, and counts those that the
// stream says it has and does not give: a damaged message is passed over without a word, and asked for
// alone it is said not to be there.
func LookThrough(ctx context.Context, js jetstream.JetStream, stream string, most uint64) (Looked, error) {
	s, err := js.Stream(ctx, stream)
	if err != nil {
		return Looked{}, fmt.Errorf("stream %s: %w", stream, err)
	}
	st := s.CachedInfo().State
	if st.Msgs == 0 {
		return Looked{Whole: true}, nil
	}
	l := Looked{Whole: true}
	from := st.FirstSeq
	if st.LastSeq-from >= most {
		from, l.Whole = st.LastSeq-most+1, false
	}
	var last uint64
	err = ReadDirect(ctx, js, stream, ">", from, time.Time{}, func(m Message) error {
		if l.Read == 0 {
			l.From = m.Time
		}
		l.Read++
		last = m.Seq
		return nil
	})
	if err != nil {
		return l, fmt.Errorf("stream %s: %w", stream, err)
	}
	if l.Read == 0 {
		if l.Whole {
			l.Lost = st.Msgs
		}
		return l, nil
	}
	// Counted afterwards, so that what came or was removed meanwhile is not taken for lost.
	counted, err := countFrom(ctx, js, stream, from)
	if err != nil {
		return l, err
	}
	after, err := countFrom(ctx, js, stream, last+1)
	if err == nil && counted > after+l.Read {
		l.Lost = counted - after - l.Read
	}
	return l, err
}

// countFrom gives how many messages a stream counts from a sequence on, if it can give one of them.
func countFrom(ctx context.Context, js jetstream.JetStream, stream string, from uint64) (uint64, error) {
	first, err := FirstFrom(ctx, js, stream, from)
	if err != nil || first == nil {
		return 0, err
	}
	return first.Left + 1, nil
}
