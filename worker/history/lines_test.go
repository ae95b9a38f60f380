package history_test

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/parquet-go/parquet-go"

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

func TestCSVAndParquetHoldTheSame(t *testing.T) {
	names := []string{"record-verdict.json", "record-journal.json", "record-alert.json", "record-baseline.json", "record-refusal.json"}
	var c, p bytes.Buffer
	cw, err := history.NewCSV(&c)
	if err != nil {
		t.Fatal(err)
	}
	pw := history.NewParquet(&p)
	for _, n := range names {
		row := history.RowOf(example(t, n))
		if n == "record-journal.json" {
			row.Text = "=1+1" // what a spreadsheet would run
		}
		if err := cw.Write(row); err != nil {
			t.Fatal(err)
		}
		if err := pw.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := pw.Close(); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&c).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := parquet.Read[history.Row](bytes.NewReader(p.Bytes()), int64(p.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(names) || len(lines) != len(names)+1 {
		t.Fatalf("%d rows, %d lines", len(rows), len(lines))
	}
	for i, r := range rows {
		l := lines[i+1]
		if l[0] != r.At.UTC().Format(time.RFC3339) || l[2] != r.Printer || l[3] != r.Kind || strings.TrimPrefix(l[11], "'") != r.Text || l[12] != r.ID {
			t.Errorf("row %d: CSV %q, Parquet %+v", i, l, r)
		}
	}
	if rows[0].MeanDE00 == nil || *rows[0].MeanDE00 != 0.41 || lines[1][8] != "0.410" {
		t.Errorf("mean: %v and %q, want 0.41", rows[0].MeanDE00, lines[1][8])
	}
	if rows[1].MeanDE00 != nil || lines[2][8] != "" {
		t.Error("a journal entry has a mean")
	}
	if lines[2][11] != "'=1+1" {
		t.Errorf("a formula stays one: %q", lines[2][11])
	}
}
