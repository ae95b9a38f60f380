package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// lookingBack are the commands whose every documented example is run on the demo's shop.
var lookingBack = []string{"history", "printers", "show", "report", "export", "journal list", "baseline list", "baseline show", "alert list"}

// examples gives every example of those commands: from their help, from the README and the handbook.
func examples(t *testing.T) []string {
	t.Helper()
	var out []string
	about := func(line string) bool {
		return slices.ContainsFunc(lookingBack, func(c string) bool {
			return line == "swathkeeper "+c || strings.HasPrefix(line, "swathkeeper "+c+" ")
		})
	}
	add := func(text string) {
		for line := range strings.Lines(text) {
			line = strings.TrimSpace(regexp.MustCompile(`\s{2,}#.*`).ReplaceAllString(line, ""))
			if about(line) && !slices.Contains(out, line) {
				out = append(out, line)
			}
		}
	}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		add(c.Example)
		for _, s := range c.Commands() {
			walk(s)
		}
	}
	walk(newRoot())
	for _, page := range []string{"../../README.md", "../../deploy/HANDBOOK.md"} {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		add(string(text))
	}
	return out
}

// shown holds what the README shows, from where it begins so to the end of its block, against what
// the program prints today.
func shown(t *testing.T, printed, begins string) {
	t.Helper()
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, block, ok := strings.Cut(string(readme), "```\n"+begins)
	block, _, _ = strings.Cut(begins+block, "```")
	if !ok || !strings.Contains(printed, block) {
		t.Errorf("the README shows\n%s\nbut it is\n%s", block, printed)
	}
}

// Every example of looking back that the help, the README or the handbook shows runs as it stands there, by a
// shell, on the shop of the demo.
func TestExamples(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the demo")
	}
	sh, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no shell on this machine: the examples are not run")
	}
	_, jqErr := exec.LookPath("jq")
	p := &program{t: t, dir: filepath.Join(t.TempDir(), "data")}
	shown(t, p.do("demo", "--fast", "--keep", p.dir), "Tuesday. ")
	shown(t, p.do("journal", "list"), "2026-03-11 13:00  quay/heron")
	work, bin := t.TempDir(), t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(self, filepath.Join(bin, "swathkeeper")); err != nil {
		t.Fatal(err)
	}
	all := examples(t)
	if len(all) < 25 {
		t.Errorf("only %d examples: %q", len(all), all)
	}
	said := map[string]string{}
	for _, line := range all {
		switch {
		case strings.Contains(line, "--follow"): // it has no end; TestDriftEndToEnd and the bus's tests follow
			continue
		case strings.Contains(line, "| jq") && jqErr != nil:
			t.Logf("no jq on this machine: not run: %s", line)
			continue
		case strings.Contains(line, "--pdf") && browser() == "":
			t.Logf("no browser on this machine: not run: %s", line)
			continue
		}
		cmd := exec.CommandContext(t.Context(), sh, "-c", "set -e; "+line)
		cmd.Dir = work
		cmd.Env = append(p.environment(), "PATH="+bin+string(os.PathListSeparator)+os.Getenv("PATH"), "TZ=UTC")
		var stderr strings.Builder
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		if err != nil {
			t.Errorf("%s: %v\n%s", line, err, stderr.String())
		}
		if strings.Contains(stderr.String(), "jq: ") || strings.Contains(stderr.String(), "swathkeeper: ") { // a pipeline hides the left side's status
			t.Errorf("%s: %s", line, stderr.String())
		}
		said[line] = string(out)
	}
	if jqErr != nil {
		return
	}
	// The pipelines say something, and the right thing: the demo's three troubles.
	for line, want := range map[string]string{
		`outcome == "stop"`:      "\theron\theron: pennant-knit/deep pressed: stop",
		`"raised"`:               `"check_ink": 1`,
		`.journal.what == "ink"`: "2231",
		`.channel == "C")`:       "-7.",
		`select(.de00 > 2)`:      "[",
	} {
		n := 0
		for cmd, out := range said {
			if strings.Contains(cmd, line) {
				n++
				if !strings.Contains(out, want) {
					t.Errorf("%s\nsays %q, want %q in it", cmd, out[:min(len(out), 400)], want)
				}
			}
		}
		if n == 0 {
			t.Errorf("no example holds %q", line)
		}
	}
}
