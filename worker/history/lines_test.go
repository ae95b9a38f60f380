package history_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"

	"swathkeeper/protocol"
	"swathkeeper/worker/history"
)

func example(t *testing.T, name string) *protocol.Record {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "messages", name))
	if err != nil {
		t.Fatal(err)
	}
	r, err := protocol.DecodeRecord(data)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// No line is wider than the terminal, and nothing of the text is lost, at any width.
func TestLineFits(t *testing.T) {
	row := history.RowOf(example(t, "record-verdict.json"))
	words := strings.Fields(row.Text)
	for _, width := range []int{30, 40, 60, 80, 120, 200} {
		var b bytes.Buffer
		s := history.Screen{Out: &b, Width: width, Colour: true, Zone: time.UTC}
		if err := s.Line(row); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(b.String(), "\x1b[") {
			t.Errorf("width %d: no colour", width)
		}
		for _, l := range strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n") {
			if n := text.StringWidthWithoutEscSequences(l); n > width {
				t.Errorf("width %d: %d columns: %q", width, n, l)
			}
		}
		for _, w := range words {
			if !strings.Contains(b.String(), w) {
				t.Errorf("width %d: %q is lost in %q", width, w, b.String())
			}
		}
	}
}

// Without a terminal a record is one line without colour, in the shop's zone.
func TestLineInAFile(t *testing.T) {
	paris, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Skip(err)
	}
	var b bytes.Buffer
	s := history.Screen{Out: &b, Zone: paris}
	if err := s.Line(history.RowOf(example(t, "record-verdict.json"))); err != nil {
		t.Fatal(err)
	}
	want := "2026-03-04 07:12  quay/heron        reading   act       clean the head, cyan: a light line every 6.35 mm\n"
	if b.String() != want {
		t.Errorf("got\n%q\nwant\n%q", b.String(), want)
	}
}
