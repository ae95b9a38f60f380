package measurement

import (
	"bytes"
	"math"
	"strconv"
	"unicode"
)

// number is what a cell that should hold a number turned out to hold.
type number int

const (
	isNumber  number = iota // with a decimal point, or whole
	isComma                 // with a decimal comma
	isMissing               // nothing, or a word or sign that says so
	isWrong                 // anything else
)

var powers = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// parseNumber reads a decimal number: sign, digits, one point or comma,
// exponent. No hexadecimal, no infinity, no grouping.
func parseNumber(b []byte) (float64, number) {
	i, negative := 0, false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	var mantissa uint64
	digits, decimals, mark := 0, 0, byte(0)
loop:
	for ; i < len(b); i++ {
		switch c := b[i]; {
		case c >= '0' && c <= '9':
			if mantissa < 1<<53/10 {
				mantissa = mantissa*10 + uint64(c-'0')
			} else {
				return parseSlow(b)
			}
			digits++
			if mark != 0 {
				decimals++
			}
		case (c == '.' || c == ',') && mark == 0:
			mark = c
		default:
			break loop
		}
	}
	if i < len(b) || digits == 0 || decimals >= len(powers) {
		return parseSlow(b)
	}
	// Both are exact in float64, so that the quotient is rounded once: the
	// same value as strconv gives (Clinger 1990, the fast path).
	v := float64(mantissa) / powers[decimals]
	if negative {
		v = -v
	}
	if mark == ',' {
		return v, isComma
	}
	return v, isNumber
}

// parseSlow takes exponents, long numbers, and what is no number at all.
func parseSlow(b []byte) (float64, number) {
	if len(b) > 400 { // no number that anyone writes
		return 0, isWrong
	}
	if missing(b) {
		return 0, isMissing
	}
	if b[0] >= 0x80 || b[len(b)-1] >= 0x80 { // what spreadsheets of some languages write
		text := bytes.TrimFunc(b, unicode.IsSpace)
		if rest, ok := bytes.CutPrefix(text, []byte("\u2212")); ok && len(rest) > 0 && rest[0] >= '0' && rest[0] <= '9' {
			text = append([]byte("-"), rest...)
		}
		if len(text) < len(b) {
			return parseSlow(text)
		}
	}
	kind := isNumber
	buf := make([]byte, 0, 64)
	for _, c := range b {
		switch {
		case c >= '0' && c <= '9', c == '+', c == '-', c == '.', c == 'e', c == 'E':
		case c == ',':
			c, kind = '.', isComma
		default:
			return 0, isWrong
		}
		buf = append(buf, c)
	}
	v, err := strconv.ParseFloat(string(buf), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, isWrong
	}
	return v, kind
}

// missing tells whether a cell says that there is no value: a missing reading
// is not zero.
func missing(b []byte) bool {
	if len(b) > 10 {
		return false
	}
	switch string(b) {
	case "", "-", "--", "---", "nan", "NaN", "NAN", "-nan", "n/a", "N/A", "na", "NA", "n.a.", "N.A.", "null", "NULL", "\u2212", "\u2013", "\u2014",
		"nan(ind)", "-nan(ind)", "#N/A", "#NV", "#DIV/0!", "#VALUE!", "#NUM!", "#REF!": // the last are spreadsheets'
		return true
	}
	// 1.#QNAN, -1.#IND00: how older run-time libraries print a number that is none.
	rest := bytes.TrimRight(bytes.TrimPrefix(b, []byte("-")), "0")
	return bytes.Equal(rest, []byte("1.#QNAN")) || bytes.Equal(rest, []byte("1.#IND")) || bytes.Equal(rest, []byte("1.#SNAN"))
}

// Number reads a decimal number, with a decimal point; missing is true for
// nothing, or a word or sign that says that there is no value.
func Number(b []byte) (v float64, missing, ok bool) {
	v, kind := parseNumber(b)
	switch kind {
	case isNumber:
		return v, false, true
	case isMissing:
		return 0, true, true
	}
	return 0, false, false
}
