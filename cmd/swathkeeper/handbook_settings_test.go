package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestHandbookSettings runs the worked example of the handbook, from wrong colours to a kept preset, on a
// made-up printer, and holds every line that is printed there against what the program says; "..."
// stands for what is left out.
func TestHandbookSettings(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	text, err := os.ReadFile("../../deploy/HANDBOOK.md")
	if err != nil {
		t.Fatal(err)
	}
	_, part, ok := strings.Cut(string(text), "\n## Find the settings first\n")
	if ok {
		_, part, ok = strings.Cut(part, "```\n")
	}
	part, _, closed := strings.Cut(part, "```")
	if !ok || !closed {
		t.Fatal("the handbook has no example of settings")
	}
	script, prints := "dialled layout pennant-rgb.json\n", 0
	for line := range strings.Lines(strings.ReplaceAll(part, "\\\n", " ")) {
		line = strings.TrimRight(line, "\n")
		command, is := strings.CutPrefix(line, "$ ")
		if !is {
			if line != "" {
				script += "stdout '(?m)^" + wildly(line) + "$'\n"
			}
			continue
		}
		switch {
		case strings.HasPrefix(command, "swathkeeper settings next "):
			if prints++; prints == 1 {
				_, with, _ := strings.Cut(command, "--with ")
				script += fmt.Sprintf("dialled print 1.json 1 %s\n", with)
			} else {
				script += fmt.Sprintf("dialled asked %d.json %d settings-heron.json\n", prints, prints)
			}
		case strings.HasPrefix(command, "swathkeeper settings keep "):
			script += "exec swathkeeper run --data shop --listen 127.0.0.1:0 --zone UTC &worker&\nsoon swathkeeper chart add pennant-rgb.json --data shop\n"
			command += " --data shop"
		}
		script += "exec " + command + "\n"
	}
	if prints < 3 {
		t.Fatalf("the example makes %d prints", prints)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "handbook.txtar"), []byte(script), 0o644); err != nil {
		t.Fatal(err)
	}
	p := scripts(t)
	p.Dir = dir
	testscript.Run(t, p)
}

// wildly quotes a line for a script's pattern; "..." is anything.
func wildly(line string) string {
	var parts []string
	for _, p := range strings.Split(line, "...") {
		parts = append(parts, regexp.QuoteMeta(p))
	}
	return strings.ReplaceAll(strings.Join(parts, ".*"), "'", ".")
}
