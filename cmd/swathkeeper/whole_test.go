package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// TestWriteWholeBy: a file that is there stays as it was when its successor fails half-way, and
// nothing of the attempt is left beside it.
func TestWriteWholeBy(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	name := filepath.Join(dir, "year.parquet")
	if err := os.WriteFile(name, []byte("last year"), 0o644); err != nil {
		t.Fatal(err)
	}
	broken := errors.New("the bus went away")
	err := writeWholeBy(name, func(w io.Writer) error {
		if _, err := w.Write([]byte("this y")); err != nil {
			t.Fatal(err)
		}
		return broken
	})
	if !errors.Is(err, broken) {
		t.Errorf("got %v, want %v", err, broken)
	}
	if got, err := os.ReadFile(name); err != nil || string(got) != "last year" {
		t.Errorf("the file holds %q, %v", got, err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 1 {
		t.Errorf("%d files are in the folder, %v", len(left), err)
	}
}
