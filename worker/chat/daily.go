package chat

import "context"

func (t *teller) runDaily(ctx context.Context) { <-ctx.Done() }
