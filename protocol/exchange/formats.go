package exchange

import (
	"path"
	"slices"
	"strings"

	"swathkeeper/protocol/measurement"
)

// known is one format that is read and written.
type known struct {
	format  measurement.Format
	name    string   // as people call it
	endings []string // of its files, the usual one first
}

var formats = []known{
	{measurement.CGATS, "CGATS text", []string{".txt", ".cgats", ".it8"}},
	{measurement.CxF, "CxF3", []string{".cxf", ".xml"}},
	{measurement.CSV, "table", []string{".csv"}},
	{measurement.TSV, "table with tabs", []string{".tsv", ".tab"}},
	{measurement.JSON, "reading", []string{".json", ".jsonl"}},
}

// Formats are all formats, as [measurement.Format] has them.
func Formats() []string {
	var out []string
	for _, f := range formats {
		out = append(out, string(f.format))
	}
	return out
}

// NameOf is what people call a format.
func NameOf(format measurement.Format) string {
	for _, f := range formats {
		if f.format == format {
			return f.name
		}
	}
	return string(format)
}

// FormatOf is the format that a file name's ending asks for.
func FormatOf(name string) (measurement.Format, error) {
	ending := strings.ToLower(path.Ext(name))
	var usual []string
	for _, f := range formats {
		if slices.Contains(f.endings, ending) {
			return f.format, nil
		}
		usual = append(usual, f.endings[0])
	}
	last := len(usual) - 1
	return "", &measurement.Error{File: name, Problem: "the ending tells no format",
		Hint: "end the name with " + strings.Join(usual[:last], ", ") + " or " + usual[last] + ", or name the format"}
}
