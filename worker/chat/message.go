package chat

import (
	"context"
	"time"

	"swathkeeper/protocol"
)

// SchemaMessage names what a webhook is sent.
const SchemaMessage = "swathkeeper.message/1"

// Message is one message to people. Its JSON is what a generic webhook receives, one POST a
// message, with the header Idempotency-Key holding ID: a receiver that remembers ids never shows
// one twice.
type Message struct {
	Schema  string    `json:"schema"`
	ID      string    `json:"id"`   // the same whenever the same thing is told
	Kind    string    `json:"kind"` // change, open (what is still open after quiet hours), digest, test or notice
	Target  string    `json:"target"`
	At      time.Time `json:"at"`
	Site    string    `json:"site,omitempty"`
	Printer string    `json:"printer,omitempty"`
	Level   string    `json:"level,omitempty"` // act or stop
	Title   string    `json:"title"`           // the first line of Text
	Text    string    `json:"text"`            // plain text, under 600 characters for a change, lines parted by \n

	Change *protocol.Change `json:"change,omitempty"`
	Open   []protocol.Alert `json:"open,omitempty"` // of kind open and digest

	picture []byte // PNG
	// textAt gives Text as it is told at a time; nil: always the same.
	textAt func(now time.Time) string
}

// Kinds of message.
const (
	KindChange = "change"
	KindOpen   = "open"
	KindDigest = "digest"
	KindTest   = "test"
	KindNotice = "notice" // about the worker itself
)

// service sends messages to one place. send returns nil, a *sendError, or the context's error, and
// is called for one message at a time.
type service interface {
	send(ctx context.Context, m Message) error
	close()
}
