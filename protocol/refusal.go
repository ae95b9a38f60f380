package protocol

import "fmt"

// Refusal says why an input was not taken: a word for programs, the field, and what to do. It is
// an error, and it is what a refusal record carries.
type Refusal struct {
	// Code is a word that programs may test; see the Code constants.
	Code string `json:"code"`
	// Field is the path of the offending field in the message, such as "patches.lab[12]";
	// empty when the message as a whole is at fault.
	Field string `json:"field,omitzero"`
	// Hint says in a sentence what is wrong and what would be right.
	Hint string `json:"hint"`
	// Payload is the input as received, cut at MaxRefusedPayload bytes.
	Payload []byte `json:"payload,omitempty"`
	// Bytes is the full size of the input.
	Bytes int `json:"bytes,omitzero"`
	// SHA256 is the hex digest of the full input.
	SHA256 string `json:"sha256,omitzero"`
	// Subject is where the input came in.
	Subject string `json:"subject,omitzero"`
}

// MaxRefusedPayload is how much of a refused input its record keeps, in bytes.
const MaxRefusedPayload = 64 << 10

// Error gives code, field and hint in one line.
func (r *Refusal) Error() string {
	if r.Field == "" {
		return fmt.Sprintf("%s: %s", r.Code, r.Hint)
	}
	return fmt.Sprintf("%s: %s: %s", r.Code, r.Field, r.Hint)
}

// Text says it for people: what is wrong and what to do first, and the words for programs behind it.
func (r *Refusal) Text() string {
	if r.Field == "" {
		return fmt.Sprintf("%s (%s)", r.Hint, r.Code)
	}
	return fmt.Sprintf("%s (%s: %s)", r.Hint, r.Field, r.Code)
}

func refuse(code, field, hint string) *Refusal {
	return &Refusal{Code: code, Field: field, Hint: hint}
}
