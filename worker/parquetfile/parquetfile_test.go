package parquetfile_test

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"swathkeeper/protocol"
	"swathkeeper/worker/history"
	"swathkeeper/worker/parquetfile"
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

// The two forms in which rows leave the program agree; the Parquet file is read by its library.
func TestCSVAndParquetHoldTheSame(t *testing.T) {
	names := []string{"record-verdict.json", "record-journal.json", "record-alert.json", "record-baseline.json", "record-refusal.json"}
	var c, p bytes.Buffer
	cw, err := history.NewCSV(&c)
	if err != nil {
		t.Fatal(err)
	}
	pw := parquetfile.New(&p)
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
