package history

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"swathkeeper/protocol"
)

// Row is one record on one line: what tables, CSV and Parquet files (worker/parquetfile) hold. Times are UTC in files.
type Row struct {
	At       time.Time `parquet:"at,timestamp(microsecond)"`
	Site     string    `parquet:"site,dict"`
	Printer  string    `parquet:"printer,dict"`
	Kind     string    `parquet:"kind,dict"`
	Series   string    `parquet:"series,dict"`
	Level    string    `parquet:"level,dict"`  // outcome of a verdict, worst level of a change, or empty
	Advice   string    `parquet:"advice,dict"` // of the first finding or change
	Channel  string    `parquet:"channel,dict"`
	MeanDE00 *float64  `parquet:"mean_de00,optional"` // nil where no colour was compared
	P95DE00  *float64  `parquet:"p95_de00,optional"`
	Open     int64     `parquet:"open_alerts"`
	Text     string    `parquet:"text"`
	ID       string    `parquet:"id"`
	Reading  string    `parquet:"reading"`
}

// RowOf gives the line of a record.
func RowOf(r *protocol.Record) Row {
	row := Row{
		At: r.At, Site: r.Site, Printer: r.Printer, Kind: r.Kind, Series: r.Series, Open: int64(len(r.Open)), ID: r.ID,
		Text: strings.TrimPrefix(r.Text, r.Printer+": "),
	}
	if row.Series == protocol.NoSeries {
		row.Series = ""
	}
	if v := r.Verdict; v != nil {
		row.Level, row.Reading = v.Outcome, v.Reading
		if len(v.Findings) > 0 {
			row.Advice, row.Channel = v.Findings[0].Advice, v.Findings[0].Channel
		}
		if c := v.Colour; c != nil {
			row.MeanDE00, row.P95DE00 = &c.MeanDE00, &c.P95DE00
		}
	}
	for _, c := range r.Changes {
		if row.Advice == "" {
			row.Advice, row.Channel = c.Advice, c.Channel
		}
		if r.Verdict == nil && ranks[c.Level] > ranks[row.Level] {
			row.Level = c.Level
		}
	}
	if j := noteJournal(r); j != nil && row.Channel == "" {
		row.Channel = j.Channel
	}
	return row
}

// CSVHeader names the columns of CSV.
var CSVHeader = []string{"at", "site", "printer", "kind", "series", "level", "advice", "channel", "mean_de00", "p95_de00", "open_alerts", "text", "id", "reading"}

// CSV writes rows with a header, times in UTC.
type CSV struct{ w *csv.Writer }

// NewCSV writes the header.
func NewCSV(w io.Writer) (*CSV, error) {
	c := &CSV{csv.NewWriter(w)}
	return c, c.w.Write(CSVHeader)
}

// Write adds a row. A cell that a spreadsheet would take for a formula gets a ' in front.
func (c *CSV) Write(r Row) error {
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'f', 3, 64)
	}
	err := c.w.Write([]string{
		r.At.UTC().Format(time.RFC3339), r.Site, r.Printer, r.Kind, r.Series, r.Level, r.Advice, plainCell(r.Channel), number(r.MeanDE00), number(r.P95DE00),
		strconv.FormatInt(r.Open, 10), plainCell(r.Text), r.ID, r.Reading,
	})
	if err != nil {
		return err
	}
	c.w.Flush() // a reader at the other end of a pipe sees the row now
	return c.w.Error()
}

func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
