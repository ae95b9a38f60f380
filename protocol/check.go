package protocol

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
)

// The checks below are what validation of every message is made of. Each returns nil or a *Refusal
// that names the field.

// checkID refuses what is not a UUID in its usual form. The nil and the all-ones UUID are what
// programs send that never set the field: their second message would pass for a repeat of the first.
func checkID(field, id string) error {
	if id == "" {
		return refuse(CodeMissing, field, "give a UUID; version 7 is best, since it sorts by time")
	}
	u, err := uuid.Parse(id)
	if err != nil || len(id) != 36 {
		return refuse(CodeBadValue, field, fmt.Sprintf("%q is not a UUID in its usual form of 36 characters", clip(id, 60)))
	}
	if u == uuid.Nil || u == uuid.Max {
		return refuse(CodeBadValue, field, fmt.Sprintf("%s stands for no id; make a new UUID for each message", id))
	}
	return nil
}

// plainID writes a UUID in lower case, in which it is compared; senders may use either (RFC 9562).
func plainID(id string) string {
	if len(id) == 36 {
		return strings.ToLower(id)
	}
	return id
}

// checkTime refuses a time that is missing, or so far in the past that a clock was never set.
func checkTime(field string, t time.Time) error {
	if t.IsZero() {
		return refuse(CodeMissing, field, "give the time, like 2026-03-04T07:12:09+01:00")
	}
	if y := t.Year(); y < 2000 || y > 9998 {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("year %d cannot be; set the clock", y))
	}
	return nil
}

// checkTimeOf is checkTime for a time that may be absent.
func checkTimeOf(field string, t *time.Time) error {
	if t == nil {
		return nil
	}
	if y := t.Year(); y < 2000 || y > 9998 {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("year %d cannot be; leave the field out when the time is not known", y))
	}
	return nil
}

// checkName refuses a name that is empty or longer than MaxText bytes, or holds what would upset a
// terminal or a file.
func checkName(field, s string) error {
	if s == "" {
		return refuse(CodeMissing, field, "give it a name, as the chart layout does")
	}
	return checkText(field, s)
}

// checkText is checkName for what may be empty.
func checkText(field, s string) error {
	if len(s) > MaxText {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("%d bytes, at most %d", len(s), MaxText))
	}
	for i := range len(s) {
		if s[i] < ' ' || s[i] >= 0x7f {
			return checkRunes(field, s, "")
		}
	}
	return nil
}

// checkWords refuses free text that is longer than MaxNote characters. Lines and tabs may stand in it.
func checkWords(field, s string) error {
	if n := utf8.RuneCountInString(s); n > MaxNote {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("%d characters, at most %d", n, MaxNote))
	}
	return checkRunes(field, s, "\n\r\t")
}

func checkRunes(field, s, but string) error {
	if !utf8.ValidString(s) {
		return refuse(CodeBadValue, field, "is not UTF-8")
	}
	for _, r := range s {
		if unicode.IsControl(r) && !strings.ContainsRune(but, r) {
			return refuse(CodeBadValue, field, fmt.Sprintf("holds the control character %U; send plain text", r))
		}
	}
	return nil
}

// inRange is false for NaN, and for infinities since lo and hi are finite.
func inRange(v, lo, hi float64) bool { return v >= lo && v <= hi }

// checkNumber refuses a number outside lo to hi; what is the quantity and its unit.
func checkNumber(field string, v, lo, hi float64, what string) error {
	if inRange(v, lo, hi) {
		return nil
	}
	return refuse(CodeOutOfRange, field, fmt.Sprintf("%g is outside %s, %g to %g", v, what, lo, hi))
}

// checkCount refuses a list of n things that may have at most most.
func checkCount(field string, n, most int, what string) error {
	if n <= most {
		return nil
	}
	return refuse(CodeOutOfRange, field, fmt.Sprintf("%d %s, at most %d", n, what, most))
}

func oneOf(field, v string, optional bool, words ...string) error {
	if v == "" {
		if optional {
			return nil
		}
		return refuse(CodeMissing, field, "give one of "+strings.Join(words, ", "))
	}
	for _, w := range words {
		if v == w {
			return nil
		}
	}
	return refuse(CodeBadValue, field, fmt.Sprintf("%q is not one of %s", clip(v, 60), strings.Join(words, ", ")))
}

// first gives the first error of several checks.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
