package protocol

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
)

// NoSeries stands in a record's subject where there is no series.
const NoSeries = "-"

// seriesDigits is how long the name of a series is.
const seriesDigits = 12

// IsSeries reports whether s is the name of a series: 12 hex digits in lower case.
func IsSeries(s string) bool {
	return len(s) == seriesDigits && strings.Trim(s, "0123456789abcdef") == ""
}

// Series is the key of one printing condition of one printer, measured one way: the first 12 hex
// digits of SHA-256 over chart|edition|media|preset|stage|path|instrument.kind|instrument.mode.
// Absent parts are empty, and path is filled in as device. Readings of different series are never
// compared.
func (r *Reading) Series() string {
	path := r.Condition.Path
	if path == "" {
		path = PathDevice
	}
	sum := sha256.Sum256([]byte(strings.Join([]string{
		r.Chart, r.Edition, r.Condition.Media, r.Condition.Preset, r.Condition.Stage, path,
		r.Instrument.Kind, r.Instrument.Mode,
	}, "|")))
	return hex.EncodeToString(sum[:6])
}
