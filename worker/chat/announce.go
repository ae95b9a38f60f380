package chat

import (
	"context"
	"errors"
	"time"
)

// Announce tells every target something about the worker itself, once for each id, also when several
// workers or starts announce it. It returns at once; quiet hours are waited for.
func (c *Chat) Announce(id, text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cancel == nil {
		return
	}
	for _, t := range c.targets {
		c.running.Go(func() { t.announce(c.work, id, text) })
	}
}

func (t *teller) announce(ctx context.Context, id, text string) {
	now := t.c.o.Clock.Now
	nothing := func() error { return nil }
	e := &errand{id: id, compose: func(context.Context) (*Message, func(context.Context) error, error) {
		return &Message{Kind: KindNotice, At: now(), Text: text}, nil, nil
	}}
	for ctx.Err() == nil {
		var err error
		if !t.quiet.holds(now(), t.c.o.Zone) {
			if err = t.once(ctx, e); err == nil {
				return
			}
			if ctx.Err() == nil && !errors.Is(err, context.Canceled) {
				t.log.Error().Err(err).Msg("an announcement waits")
			}
		}
		if t.wait(ctx, now().Add(time.Minute), nothing) != nil {
			return
		}
	}
}
