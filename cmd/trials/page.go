package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

const pageHead = `# Trials

Everything on this page was **simulated** by ` + "`go run ./cmd/trials`" + ` from seeds, on made-up printers. It says how the
detectors behave under the stated physics; it is not evidence about any real printer.
`

// writeSection replaces the section name of the Markdown page at path by body, or adds it at
// the end. Sections of other trials are left untouched.
func writeSection(path, name, body string) error {
	old, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		old = []byte(pageHead)
	} else if err != nil {
		return err
	}
	begin := fmt.Sprintf("<!-- begin %s: written by `go run ./cmd/trials %s` -->", name, name)
	end := fmt.Sprintf("<!-- end %s -->", name)
	section := begin + "\n" + strings.TrimSpace(body) + "\n" + end
	text := string(old)
	i, j := strings.Index(text, begin), strings.Index(text, end)
	switch {
	case i >= 0 && j > i:
		text = text[:i] + section + text[j+len(end):]
	case i < 0 && j < 0:
		text = strings.TrimRight(text, "\n") + "\n\n" + section + "\n"
	default:
		return fmt.Errorf("%s: the markers of section %q are damaged; delete the section and run again", path, name)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return os.WriteFile(path, []byte(text), 0o644)
}
