// Package schema holds the JSON Schemas (draft 2020-12) of the messages, for programs in any
// language that send or read them. They say less than package protocol checks: what a schema
// cannot express, such as "as many rows as patches", only the worker refuses.
package schema

import "embed"

// Files holds one file NAME.schema.json for each of Names, and common.schema.json, which the
// others refer to.
//
//go:embed *.schema.json
var Files embed.FS

// Names are the messages that have a schema, in the order in which a reader should meet them.
func Names() []string {
	return []string{"reading", "chart", "note", "verdict", "record", "baseline"}
}
