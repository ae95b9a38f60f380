package chat

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// OneLine makes a text from outside safe to stand in one line of a terminal, a log or a message: no
// control characters, no line breaks, nothing that turns the direction of writing or hides.
func OneLine(s string) string { return clean(s) }

// clean makes a text from outside safe to stand in one line: no control characters, no line
// breaks, nothing that turns the direction of writing or hides, and no character that is not one.
func clean(s string) string {
	var b strings.Builder
	space := false
	for _, r := range strings.ToValidUTF8(s, "�") {
		switch {
		case unicode.IsSpace(r):
			space = b.Len() > 0
			continue
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r), unicode.Is(unicode.Co, r), unicode.Is(unicode.Cs, r):
			continue
		}
		if space {
			b.WriteByte(' ')
			space = false
		}
		b.WriteRune(r)
	}
	return b.String()
}

// clip shortens s to at most n characters, at a word if one ends nearby.
func clip(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	if n <= 1 {
		return "…"
	}
	r := []rune(s)[:n-1]
	for i := len(r) - 1; i > len(r)-15 && i > 0; i-- {
		if r[i] == ' ' {
			r = r[:i]
			break
		}
	}
	return strings.TrimRight(string(r), " ,;:") + "…"
}

// joiner keeps an @ from being a name that is called: it is not seen, and breaks the word.
const joiner = "\u2060"

// unping breaks every @name, for services that have no other way to keep a name from being called.
func unping(s string) string { return strings.ReplaceAll(s, "@", "@"+joiner) }

// backslash escapes everything that Discord's markup gives a meaning.
func backslash(s string) string {
	var b strings.Builder
	for _, r := range s {
		if strings.ContainsRune("\\*_~`|>#-+[](){}<@:!", r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}

// entities escapes the three characters that carry Slack's markup and its mentions.
var entities = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

// flat replaces whatever any service might read as markup by plain look-alikes.
var flat = strings.NewReplacer(
	"<", "‹", ">", "›", "`", "'", "*", "·", "_", "-", "~", "-", "|", "/", "[", "(", "]", ")", "{", "(", "}", ")",
	"#", "no. ", "\\", "/", "&", "+", "@", "@"+joiner,
)
