package main

import (
	"os"
	"path/filepath"
	"testing"
)

// TestReplaceParts: a part of a section is written anew, the others stay, a new one comes last.
func TestReplaceParts(t *testing.T) {
	page := filepath.Join(t.TempDir(), "TRIALS.md")
	write := func(body string) string {
		t.Helper()
		if err := writeSection(page, "colour", body); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	if err := os.WriteFile(page, []byte("# Trials\n\n## Other\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	write("## Colour\n\nOld words.\n\n### One\n\n1\n\n### Two\n\n2\n")
	body, err := replaceParts(page, "colour", "## Colour\n\nNew words.\n\n### Two\n\n22\n\n### Three\n\n3\n")
	if err != nil {
		t.Fatal(err)
	}
	begin, end := marks("colour")
	want := "# Trials\n\n## Other\n\n" + begin + "\n## Colour\n\nNew words.\n\n### One\n\n1\n\n### Two\n\n22\n\n### Three\n\n3\n" + end + "\n"
	if got := write(body); got != want {
		t.Errorf("the page is\n%s\nwant\n%s", got, want)
	}
}
