package protocol

// Codes of a Refusal. They are words that programs may test; within version 1 a code keeps its
// meaning, and codes may be added. Codes gives them all with their meaning.
const (
	// The message as a whole.
	CodeTooLarge       = "too_large"       // over MaxMessage
	CodeBadJSON        = "bad_json"        // not one JSON object in UTF-8
	CodeDuplicateField = "duplicate_field" // a field stands twice in one object
	CodeBadSchema      = "bad_schema"      // another type of message, or a version not known here

	// One field.
	CodeMissing    = "missing"      // required and absent or empty
	CodeBadType    = "bad_type"     // text where a number belongs, null, and the like
	CodeBadValue   = "bad_value"    // right type, but not a value the field may have
	CodeBadToken   = "bad_token"    // not a token, see IsToken
	CodeOutOfRange = "out_of_range" // a number, length or count outside its limits
	CodeNotFinite  = "not_finite"   // NaN, Infinity, or a number beyond double precision

	// Fields that contradict each other.
	CodeDuplicatePatch = "duplicate_patch" // a patch stands twice
	CodeDuplicateStrip = "duplicate_strip" // a strip stands twice

	// The message against what the worker knows. The worker gives these.
	CodeFuture           = "future"            // more than MaxAhead after the worker's clock
	CodeBadSubject       = "bad_subject"       // the subject is none that a message may come in by
	CodeWrongSubject     = "wrong_subject"     // the body names another site or printer than the subject
	CodeUnknownChart     = "unknown_chart"     // no layout of that id and edition is stored
	CodeWrongChart       = "wrong_chart"       // patches or strips contradict the layout
	CodeDuplicateReading = "duplicate_reading" // a reading of this id has its record already
	CodeDuplicateNote    = "duplicate_note"    // a note of this id has its record already
	CodeUnknownAlert     = "unknown_alert"     // hold or close of an alert that is not open
	CodeUnknownSeries    = "unknown_series"    // a baseline note about a series that has none on the printer
	CodeNoReadings       = "no_readings"       // a baseline is to be accepted, and no readings that make one have come
	CodeNotJudged        = "not_judged"        // the worker failed on a proper message: its fault, not the sender's
)

// Codes gives every code of a Refusal with its meaning in a few words, for documents and help.
func Codes() map[string]string {
	return map[string]string{
		CodeTooLarge:         "the message is larger than 900 KB",
		CodeBadJSON:          "not one JSON object in UTF-8",
		CodeDuplicateField:   "a field stands twice in one object",
		CodeBadSchema:        "another type of message, or a version that is not known",
		CodeMissing:          "a required field is absent or empty",
		CodeBadType:          "a field holds another type than it should, or null",
		CodeBadValue:         "a field holds a value that it may not have",
		CodeBadToken:         "a name is not 1 to 63 of a-z, 0-9 and -",
		CodeOutOfRange:       "a number, length or count is outside its limits",
		CodeNotFinite:        "a number is NaN, infinite or too large to hold",
		CodeDuplicatePatch:   "a patch stands twice",
		CodeDuplicateStrip:   "a strip stands twice",
		CodeFuture:           "the time is more than a day ahead of the worker's clock",
		CodeBadSubject:       "the subject is none that a message may come in by",
		CodeWrongSubject:     "the message names another printer than its subject",
		CodeUnknownChart:     "no layout of that chart and edition is stored",
		CodeWrongChart:       "patches or strips contradict the chart's layout",
		CodeDuplicateReading: "a reading of this id was taken before",
		CodeDuplicateNote:    "a note of this id was taken before",
		CodeUnknownAlert:     "the alert named is not open",
		CodeUnknownSeries:    "the series named has no baseline on this printer",
		CodeNoReadings:       "no readings have come that could become a baseline",
		CodeNotJudged:        "the worker failed on a proper message",
	}
}
