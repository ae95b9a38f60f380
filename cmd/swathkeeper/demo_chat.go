package main

import (
	"time"

	"swathkeeper/protocol"
)

// chatTexts gives what chat would say of a record.
func chatTexts(r *protocol.Record, zone *time.Location) []string {
	var out []string
	for _, c := range r.Changes {
		out = append(out, c.Change+" "+c.Key+"\n"+c.Why)
	}
	return out
}
