package bus

import (
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Whoever may send to a subject may send any headers with it, also such as the server uses itself: a
// status, or the place of a message in a stream. The server adds its own behind them. So its words are
// told from a sender's by where they stand, and never taken from a header block in which something is
// hidden.

// Headers of the server.
const (
	headerStream = "Nats-Stream"
	headerPin    = "Nats-Pin-Id"
	headerStatus = "Status"
	headerWords  = "Description"
	headerLeft   = "Nats-Pending-Messages"
)

// lastOf gives the last value of a header: the server's, where it has added one.
func lastOf(h nats.Header, key string) string {
	if all := h[key]; len(all) > 0 {
		return all[len(all)-1]
	}
	return ""
}

// preamble begins every block of headers.
const preamble = "NATS/1.0\r\n"

// linesAtMost is how many lines of headers are believed. Each that a sender writes shorter than it is
// counted here, without its blank and its return, makes up for two bytes that are hidden; what the server
// adds is longer than so many lines can make up for, if only by a pin's 37 bytes.
const linesAtMost = 16

// whole reports whether all bytes of a received message's headers are in what was read of them. A block
// that a sender has ended early hides what the server put behind it.
func whole(m *nats.Msg) bool {
	n := len(m.Subject) + len(m.Reply) + len(m.Data)
	if len(m.Header) == 0 {
		return m.Size() == n
	}
	return lines(m.Header) <= linesAtMost && m.Size() == n+len(preamble)+headerBytes(m.Header)
}

func lines(h nats.Header) (n int) {
	for _, all := range h {
		n += len(all)
	}
	return n
}

func headerBytes(h nats.Header) int {
	n := len("\r\n")
	for key, all := range h {
		for _, v := range all {
			n += len(key) + len(": ") + len(v) + len("\r\n")
		}
	}
	return n
}

// statusOf gives the status of a message that the server sent by itself, such as "404"; empty when the
// message is not one of those but holds something, whatever its headers say.
func statusOf(m *nats.Msg) (status, words string) {
	status, words = lastOf(m.Header, headerStatus), lastOf(m.Header, headerWords)
	if status == "" || len(m.Data) > 0 || lines(m.Header) > linesAtMost {
		return "", ""
	}
	// A stored message tells where it stands. The first line of that a sender can bend, by a block that does
	// not end as it should, and no other.
	for _, key := range []string{headerStream, jetstream.SequenceHeader, jetstream.TimeStampHeaer} {
		if len(m.Header[key]) > 0 {
			return "", ""
		}
	}
	// The server writes it into the first line.
	rest := make(nats.Header, len(m.Header))
	for key, all := range m.Header {
		if key != headerStatus && key != headerWords {
			rest[key] = all
		}
	}
	first := len("NATS/1.0 ") + len(status) + len("\r\n")
	if words != "" {
		first += len(" ") + len(words)
	}
	if m.Size() != len(m.Subject)+len(m.Reply)+first+headerBytes(rest) {
		return "", ""
	}
	return status, words
}

// delivered reports whether a consumer delivered a message; what else comes to where it delivers is the
// server's own.
func delivered(m *nats.Msg) bool { return strings.HasPrefix(m.Reply, "$JS.ACK.") }

// PinOf gives the name under which the server has chosen this worker to take a consumer's messages;
// empty when the message does not say it for certain.
func PinOf(m *nats.Msg) string {
	if !whole(m) {
		return ""
	}
	// The server cuts off the end of a sender's block before it adds its line. One that does not end as it
	// should bends that line.
	for key, all := range m.Header {
		if key != headerPin && strings.Contains(key, headerPin) {
			return ""
		}
		for _, v := range all {
			if strings.Contains(v, headerPin) {
				return ""
			}
		}
	}
	return lastOf(m.Header, headerPin)
}
