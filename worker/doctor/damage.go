package doctor

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// fromCopy is what helps against damage on the disk.
const fromCopy = "see to the disk first (its own report, the system's log), then bring the store back from a copy (`swathkeeper import`)"

// lookedThrough is how many of the newest messages Damage reads, of a stream that holds so many.
const lookedThrough = 2000

// Damage reads the newest records and inputs, and every layout, and says what the disk does not give any
// more.
func Damage(ctx context.Context, js jetstream.JetStream) []Finding {
	var out []Finding
	var read []string
	for _, k := range [][3]string{
		{"record", protocol.StreamRecord, "of the records"}, {"reading or note", protocol.StreamInbox, "of the readings and notes"},
		{"baseline in force", "KV_" + protocol.BucketActive, "of what is in force"}, {"entry of what chat has sent", "KV_" + protocol.BucketSent, "of what chat has sent"},
	} {
		l, err := bus.LookThrough(ctx, js, k[1], lookedThrough)
		switch {
		case errors.Is(err, jetstream.ErrStreamNotFound): // Bus says so
		case err != nil && ctx.Err() != nil:
			return append(out, look("store", "ask again when the store is less busy", "it was not looked for damage in the end: %v", ctx.Err()))
		case err != nil:
			out = append(out, fault("store", "see the worker's log", "%v", err))
		case l.Lost > 0:
			out = append(out, fault("store", fromCopy, "%d of the newest %d messages of %s (each a %s) are damaged: the store has them and does not give them", l.Lost, l.Read+l.Lost, k[1], k[0]))
		default:
			read = append(read, fmt.Sprintf("%d %s", l.Read, k[2]))
		}
	}
	stores, err := bus.OpenStores(ctx, js)
	if err != nil {
		return append(out, fault("store", "see the finding about the bus", "%v", err))
	}
	defer stores.Close()
	charts, err := stores.Charts(ctx)
	if err != nil {
		out = append(out, fault("store", "add the layout again with `swathkeeper chart add`; "+fromCopy, "%v", err))
	}
	if len(read) > 0 {
		out = append(out, fine("store", "no damage among the newest: read were %s; and %s", strings.Join(read, ", "), count(len(charts), "layout")))
	}
	return out
}
