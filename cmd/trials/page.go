package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

const pageHead = `# Trials

What the detectors find, and what they miss, was **simulated** here by ` + "`go run ./cmd/trials all`" + ` from seeds, on made-up printers. It says how
they behave under the stated physics; it is not evidence about any real printer. Speed and growth of cost were measured, by the same command.
`

// emit prints a section, or writes it into a page with its plots beside it; where only a part was run,
// the section's other parts stay.
func emit(out io.Writer, page, name string, part bool, body func(plots string) (string, error)) error {
	plots := ""
	if page != "" {
		plots = filepath.Join(filepath.Dir(page), "trials")
	}
	text, err := body(plots)
	if err != nil {
		return err
	}
	if page == "" {
		_, err = fmt.Fprintln(out, text)
		return err
	}
	if part {
		if text, err = replaceParts(page, name, text); err != nil {
			return err
		}
	}
	return writeSection(page, name, text)
}

// writeSection replaces the section name of the Markdown page at path by body, or adds it at
// the end. Sections of other trials are left untouched.
func writeSection(path, name, body string) error {
	old, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		old = []byte(pageHead)
	} else if err != nil {
		return err
	}
	begin, end := marks(name)
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
	return os.WriteFile(path, []byte(withShort(text)), 0o644)
}

// marks are the lines that a section stands between.
func marks(name string) (begin, end string) {
	return fmt.Sprintf("<!-- begin %s: written by `go run ./cmd/trials %s` -->", name, name), fmt.Sprintf("<!-- end %s -->", name)
}

// replaceParts gives the section of that name in the page with the parts of body (from one "### "
// heading to the next) in place of its own of the same headings. Without such a section it is body.
func replaceParts(page, name, body string) (string, error) {
	old, err := os.ReadFile(page)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	begin, end := marks(name)
	text := string(old)
	from, to := strings.Index(text, begin), strings.Index(text, end)
	if from < 0 || to < from {
		return body, nil
	}
	split := func(s string) []string { return strings.Split(strings.TrimSpace(s), "\n### ") }
	have, parts := split(text[from+len(begin):to]), split(body)
	have[0] = parts[0]
	for _, part := range parts[1:] {
		heading, _, _ := strings.Cut(part, "\n")
		at := slices.IndexFunc(have, func(h string) bool { return strings.HasPrefix(h, heading+"\n") })
		if at < 0 {
			have = append(have, part)
			continue
		}
		have[at] = part
	}
	for i := range have {
		have[i] = strings.TrimSpace(have[i]) + "\n"
	}
	return strings.Join(have, "\n### "), nil
}
