package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
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

// What is no file is never replaced by one, and what is written about keeps the name that was given.
func TestWriteWholePlaces(t *testing.T) {
	dir := t.TempDir()
	text := []byte("a page")
	link, file := filepath.Join(dir, "latest.html"), filepath.Join(dir, "page.html")
	if err := errors.Join(os.WriteFile(file, nil, 0o666), os.Chmod(file, 0o666)); err != nil { // more than most umasks leave
		t.Fatal(err)
	}
	if err := os.Symlink("page.html", link); err != nil {
		t.Skip(err)
	}
	if err := writeWhole(link, text); err != nil {
		t.Error(err)
	}
	if i, err := os.Lstat(link); err != nil || i.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is none any more: %v, %v", i, err)
	}
	if got, err := os.ReadFile(file); err != nil || string(got) != string(text) {
		t.Errorf("the file that the link leads to holds %q, %v", got, err)
	}
	if i, err := os.Stat(file); err != nil || i.Mode().Perm() != 0o666 {
		t.Errorf("the file may be read and written by others than before: %v, %v", i.Mode(), err)
	}
	// As a superuser a careless rename would put a file in the place of the device.
	if i, err := os.Stat(os.DevNull); err == nil && i.Mode()&os.ModeDevice != 0 {
		if err := writeWhole(os.DevNull, text); err != nil {
			t.Error(err)
		}
		if i, err := os.Stat(os.DevNull); err != nil || i.Mode()&os.ModeDevice == 0 {
			t.Fatalf("%s is a device no more: %v, %v", os.DevNull, i, err)
		}
		if err := wholeFile(os.DevNull, 0o600, func(*os.File) error { return nil }); err == nil {
			t.Error("an export went into nothing")
		}
	}
	for name, want := range map[string]string{
		dir: "cannot write " + dir + ": it is a folder", filepath.Join(dir, "none", "a.html"): "make its folder first", file + "/a.html": "cannot write " + file + "/a.html: ",
	} {
		if err := writeWhole(name, text); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), ".swathkeeper-") {
			t.Errorf("%s: %v, want %q in it", name, err, want)
		}
	}
}
