package protocol

import "fmt"

// MaxToken is the greatest length of a token in bytes.
const MaxToken = 63

// IsToken reports whether s may stand as one part of a subject: [a-z0-9][a-z0-9-]{0,62}.
func IsToken(s string) bool {
	if len(s) == 0 || len(s) > MaxToken || s[0] == '-' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// checkToken returns a refusal that names field unless s is a token.
func checkToken(field, s string) error {
	if s == "" {
		return refuse(CodeMissing, field, "give it a value; it is required")
	}
	if !IsToken(s) {
		return refuse(CodeBadToken, field, fmt.Sprintf("%q must be 1 to 63 of a-z, 0-9 and -, and not begin with -", clip(s, 80)))
	}
	return nil
}

// checkTokenOr is checkToken for what may be absent.
func checkTokenOr(field, s string) error {
	if s == "" {
		return nil
	}
	return checkToken(field, s)
}

// isHex reports whether s is n hex digits in lower case.
func isHex(s string, n int) bool {
	if len(s) != n {
		return false
	}
	for i := range len(s) {
		if (s[i] < '0' || s[i] > '9') && (s[i] < 'a' || s[i] > 'f') {
			return false
		}
	}
	return true
}

// clip shortens s to at most n bytes without cutting a character in two.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && s[n]&0xC0 == 0x80 {
		n--
	}
	return s[:n] + "…"
}
