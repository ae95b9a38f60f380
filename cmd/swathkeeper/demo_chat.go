package main

import (
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/chat"
)

// chatTexts gives what chat would say of a record.
func chatTexts(r *protocol.Record, zone *time.Location) []string { return chat.Render(*r, zone) }
