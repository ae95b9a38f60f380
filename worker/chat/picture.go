package chat

import (
	"context"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/picture"
)

// takesPicture reports whether a service shows a picture beside the text.
func takesPicture(s service) bool {
	switch s.(type) {
	case *discord, *telegram, *mailer:
		return true
	}
	return false
}

// draw makes the picture of what a change is about, as PNG: for lines, the profile of the ink folded
// over one paper step; for colours, where on the chart they moved, or, when the layout is not to be
// had, how far each ink is from its baseline. It gives nil when the change asks for nothing, when
// the verdict holds no such data, or when it cannot be drawn: a message goes out without a picture
// rather than not at all.
func draw(rec *protocol.Record, c protocol.Change, layout func(id, edition string) *protocol.Chart) []byte {
	v := rec.Verdict
	if v == nil || ended(c.Change) {
		return nil
	}
	title := where(rec.Site, rec.Printer) + ": "
	var raw []byte
	var err error
	lines := c.Advice == protocol.AdviceClean || c.Advice == protocol.AdviceFeed || c.Raised == alert.ReasonNoEffect
	switch {
	case lines:
		ch := picture.Clearest(v.Banding, c.Channel)
		if ch == nil {
			return nil
		}
		raw, err = picture.Profile(title+clip(clean(alert.ChannelName(ch.Channel)), 20)+" over one paper step", ch)
	case c.Advice == protocol.AdviceSilent || v.Colour == nil:
		return nil
	default:
		if len(v.Colour.PatchDE00) > 0 {
			raw, err = picture.Heat(title+"where colours moved", layout(v.Chart, v.Edition), v.Colour)
		}
		if raw == nil {
			raw, err = picture.Inks(title+"inks against the baseline", v.Colour)
		}
	}
	if err != nil {
		return nil
	}
	return raw
}

// layouts gives chart layouts as the worker knows them; nil for one that cannot be had.
func layouts(ctx context.Context, js jetstream.JetStream) func(id, edition string) *protocol.Chart {
	return func(id, edition string) *protocol.Chart {
		kv, err := js.KeyValue(ctx, protocol.BucketCharts)
		if err != nil {
			return nil
		}
		e, err := kv.Get(ctx, protocol.ChartKey(id, edition))
		if err != nil {
			return nil
		}
		c, err := protocol.DecodeChart(e.Value())
		if err != nil {
			return nil
		}
		return c
	}
}
