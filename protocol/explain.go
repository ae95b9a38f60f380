package protocol

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// errUnsupported tells the decoder to go on as if the function that returns it were not there.
var errUnsupported = errors.ErrUnsupported

// explain turns an error of the decoder into a refusal that names the field and says what would be
// right. It runs only for messages that are refused.
func explain(data []byte, want string, err error) *Refusal {
	var syntax *jsontext.SyntacticError
	if errors.As(err, &syntax) {
		return explainSyntax(data, syntax)
	}
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return refuse(CodeBadJSON, "", "the message ends early; was it cut?")
	}
	// A chart sent as a reading fails at its first field of another type; the useful answer is
	// that it is a chart.
	var head struct {
		Schema string `json:"schema"`
	}
	if json.Unmarshal(data, &head) == nil && head.Schema != "" {
		if r := checkSchema(head.Schema, want); r != nil {
			return r
		}
	}
	var r *Refusal
	if errors.As(err, &r) {
		return r
	}
	var semantic *json.SemanticError
	if errors.As(err, &semantic) {
		return explainSemantic(semantic)
	}
	return refuse(CodeBadJSON, "", clip(err.Error(), 200))
}

func explainSyntax(data []byte, e *jsontext.SyntacticError) *Refusal {
	at := max(0, min(int(e.ByteOffset), len(data)))
	field := fieldPath(e.JSONPointer)
	near := data[at:min(len(data), at+12)]
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		return refuse(CodeBadJSON, "", "the message is empty; send one JSON object")
	case errors.Is(e, jsontext.ErrDuplicateName):
		return refuse(CodeDuplicateField, field, fmt.Sprintf("at byte %d: the field stands twice; which of the two counts?", at))
	case errors.Is(e, io.ErrUnexpectedEOF):
		return refuse(CodeBadJSON, field, fmt.Sprintf("the message ends early, after %d bytes; was it cut?", len(data)))
	case bytes.HasPrefix(data, []byte("\xef\xbb\xbf")):
		return refuse(CodeBadJSON, "", "the message begins with a byte order mark; send UTF-8 without one")
	case isNotANumber(near), isNotANumber(data[max(0, at-1) : at+len(near)]): // "nan" fails at its second letter, where null goes on
		return refuse(CodeNotFinite, field, fmt.Sprintf("at byte %d: NaN and Infinity are not numbers; leave a patch out when it has no value", at))
	}
	why := strings.TrimPrefix(e.Err.Error(), "jsontext: ")
	return refuse(CodeBadJSON, field, fmt.Sprintf("at byte %d near %q: %s", at, strings.ToValidUTF8(string(near), "?"), why))
}

// isNotANumber recognises what programs write for NaN and infinity, though JSON has no such thing.
func isNotANumber(near []byte) bool {
	near = bytes.ToLower(bytes.TrimLeft(near, "+-"))
	return bytes.HasPrefix(near, []byte("nan")) || bytes.HasPrefix(near, []byte("inf")) || bytes.HasPrefix(near, []byte("1.#"))
}

func explainSemantic(e *json.SemanticError) *Refusal {
	field := fieldPath(e.JSONPointer)
	if e.GoType == nil {
		return refuse(CodeBadType, field, "holds what does not belong here")
	}
	// A value that has the right JSON type and yet does not fit has its text in JSONValue.
	value := clip(string(e.JSONValue), 40)
	switch {
	case e.GoType == reflect.TypeFor[time.Time]() && e.JSONKind == jsontext.KindString:
		return refuse(CodeBadValue, field, fmt.Sprintf("%s is not a time of RFC 3339 with its offset, like 2026-03-04T07:12:09+01:00", value))
	case isInteger(e.GoType) && e.JSONKind == jsontext.KindNumber:
		if errors.Is(e, strconv.ErrRange) {
			return refuse(CodeOutOfRange, field, value+" is too large, or negative where a count belongs")
		}
		return refuse(CodeBadType, field, value+" is not a whole number")
	case isFloat(e.GoType) && e.JSONKind == jsontext.KindNumber:
		return refuse(CodeNotFinite, field, value+" is beyond what a number can hold")
	}
	return refuse(CodeBadType, field, fmt.Sprintf("holds %s where %s belongs", kindName(e.JSONKind), typeName(e.GoType)))
}

func isFloat(t reflect.Type) bool   { return t.Kind() == reflect.Float64 }
func isInteger(t reflect.Type) bool { return t.Kind() >= reflect.Int && t.Kind() <= reflect.Uint64 }

func kindName(k jsontext.Kind) string {
	switch k {
	case jsontext.KindNull:
		return "null"
	case jsontext.KindTrue, jsontext.KindFalse:
		return "true or false"
	case jsontext.KindString:
		return "text"
	case jsontext.KindNumber:
		return "a number"
	case jsontext.KindBeginArray:
		return "a list"
	}
	return "an object"
}

func typeName(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "text"
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.Pointer:
		return typeName(t.Elem())
	}
	switch {
	case t == reflect.TypeFor[time.Time]():
		return "a time as text"
	case isFloat(t) || isInteger(t):
		return "a number"
	}
	return "an object"
}

// fieldPath writes a JSON pointer the way a Refusal names fields: "/traces/0/unit" as
// "traces[0].unit". Rows of numbers are named as a whole, since a row is a patch.
func fieldPath(p jsontext.Pointer) string {
	var b strings.Builder
	row := false
	for token := range p.Tokens() {
		if n, err := strconv.ParseUint(token, 10, 32); err == nil {
			if !row {
				fmt.Fprintf(&b, "[%d]", n)
			}
			row = true
			continue
		}
		row = false
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(token)
	}
	return clip(b.String(), MaxText)
}
