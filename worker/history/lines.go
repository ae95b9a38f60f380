package history

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"

	"swathkeeper/protocol"
	"swathkeeper/worker/zones"
)

// Screen is where text for people goes.
type Screen struct {
	Out    io.Writer
	Width  int  // columns; 0: not a terminal, lines are as long as they are
	Colour bool // NO_COLOR is not set, and it is a terminal
	True   bool // it shows 24-bit colours; else 256
	Zone   *time.Location
	IDs    bool // lines begin with the short id of their record
}

// levelColours are told apart by words too; colour only helps the eye.
var levelColours = map[string]text.Colors{
	protocol.LevelStop: {text.FgRed, text.Bold}, protocol.LevelAct: {text.FgYellow, text.Bold}, protocol.LevelNote: {text.FgCyan},
	protocol.Steady: {text.FgGreen},
}

// Paint colours s as a level is coloured, where the screen shows colours.
func (s *Screen) Paint(level, str string) string {
	if c := levelColours[level]; s.Colour && c != nil {
		text.EnableColors() // this screen has decided already
		return c.Sprint(str)
	}
	return str
}

// kindWords are what a printer calls the kinds of record.
var kindWords = map[string]string{
	protocol.KindVerdict: "reading", protocol.KindAlert: "alert", protocol.KindRefusal: "refused", protocol.KindJournal: "journal", protocol.KindBaseline: "baseline",
}

const (
	stampLayout  = "2006-01-02 15:04"
	nameWidth    = 16
	leastText    = 24 // below it the text goes onto its own lines
	narrowIndent = 2
	shortID      = 8 // characters of an id: enough to tell a shop's records apart
)

// Line writes one row. Rows are written as they come, so the columns have fixed widths; what does
// not fit is wrapped under its column.
func (s *Screen) Line(r Row) error {
	word := r.Level
	if word == "" || word == protocol.Steady && r.Kind != protocol.KindVerdict {
		word = "-"
	}
	name := r.Site + "/" + r.Printer
	id := ""
	if s.IDs {
		id = r.ID[:min(shortID, len(r.ID))] + "  "
	}
	head := id + fmt.Sprintf("%s  %s  %s  %s  ", zones.Stamp(r.At, s.Zone, stampLayout), text.Pad(name, nameWidth, ' '),
		text.Pad(kindWords[r.Kind], 8, ' '), s.Paint(word, text.Pad(word, 8, ' ')))
	if s.Width <= 0 {
		_, err := fmt.Fprintf(s.Out, "%s%s\n", head, r.Text)
		return err
	}
	indent := text.StringWidthWithoutEscSequences(head)
	room := s.Width - indent
	if room >= leastText {
		_, err := fmt.Fprintf(s.Out, "%s%s\n", head, strings.Join(wrapped(r.Text, room), "\n"+strings.Repeat(" ", indent)))
		return err
	}
	short := id + fmt.Sprintf("%s  %s  %s", zones.Stamp(r.At, s.Zone, "02 Jan 15:04"), name, s.Paint(word, word))
	room = max(s.Width-narrowIndent, 8)
	pad := strings.Repeat(" ", narrowIndent)
	_, err := fmt.Fprintf(s.Out, "%s\n%s%s\n", short, pad, strings.Join(wrapped(r.Text, room), "\n"+pad))
	return err
}

// Paragraph wraps a text under an indent; what follows its first line hangs by two more.
func (s *Screen) Paragraph(indent, str string) string {
	if s.Width <= 0 {
		return indent + str + "\n"
	}
	const narrowest = 20
	lines := wrapped(str, max(s.Width-len(indent)-2, narrowest))
	return indent + strings.Join(lines, "\n  "+indent) + "\n"
}

// wrapped breaks a text into lines of at most room columns, without blanks at their ends.
func wrapped(s string, room int) []string {
	lines := strings.Split(text.WrapSoft(s, room), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return lines
}
