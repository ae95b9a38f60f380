// Package parquetfile writes rows of the history as a Parquet file. It stands apart from the history
// because its library is among the dearest to compile, and whoever only runs the worker needs none of it.
package parquetfile

import (
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"

	"swathkeeper/worker/history"
)

// Writer writes rows in groups, so that the memory it takes does not grow with them.
type Writer struct {
	w *parquet.GenericWriter[history.Row]
	n int
}

// group is how many rows are held before they are written.
const group = 4096

// New begins a file.
func New(w io.Writer) *Writer {
	return &Writer{w: parquet.NewGenericWriter[history.Row](w, parquet.Compression(&parquet.Zstd))}
}

// Write adds a row, its time in UTC.
func (p *Writer) Write(r history.Row) error {
	r.At = r.At.UTC()
	if _, err := p.w.Write([]history.Row{r}); err != nil {
		return fmt.Errorf("parquet: %w", err)
	}
	if p.n++; p.n%group == 0 {
		return p.w.Flush()
	}
	return nil
}

// Close ends the file; without it the file cannot be read.
func (p *Writer) Close() error { return p.w.Close() }
