package chat

import "swathkeeper/protocol"

// takesPicture reports whether a service shows a picture beside the text.
func takesPicture(s service) bool {
	switch s.(type) {
	case *discord, *telegram, *mailer:
		return true
	}
	return false
}

// picture draws what a change is about; nil when there is nothing to draw.
func picture(*protocol.Record, protocol.Change) []byte { return nil }
