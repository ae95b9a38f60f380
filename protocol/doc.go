// Package protocol holds what travels between scan stations, the worker, chat and the command
// line: the message types, their validation, the subjects they travel on and the key of a series.
//
// It knows types, subjects and codecs only. It computes no colour, keeps no state and reads no
// clock: where a rule depends on the time of day ("taken at most a day ahead"), the caller says
// what time it is. JSON Schemas of every message are in the schema folder, and asyncapi.yaml
// describes the channels.
package protocol

// Schema names: type and major version. Fields may be added within a version; the meaning of a
// field never changes.
const (
	SchemaReading  = "swathkeeper.reading/1"
	SchemaChart    = "swathkeeper.chart/1"
	SchemaVerdict  = "swathkeeper.verdict/1"
	SchemaNote     = "swathkeeper.note/1"
	SchemaRecord   = "swathkeeper.record/1"
	SchemaBaseline = "swathkeeper.baseline/1"
)

// MaxMessage is the largest message in bytes that a sender may put on the bus. The bus itself
// refuses 1 MiB; the rest is room for headers.
const MaxMessage = 900_000
