package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"swathkeeper/protocol"
)

// helpOf is what a command prints with --help, and whether that works.
func helpOf(t *testing.T, path string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(nil, &out, &errs, append(strings.Fields(path)[1:], "--help")); code != exitFine {
		t.Fatalf("%s --help: exit %d: %s", path, code, errs.String())
	}
	return out.String()
}

// eachCommand visits every command but cobra's own.
func eachCommand(c *cobra.Command, visit func(*cobra.Command)) {
	if c.Name() == "help" || c.Name() == "completion" {
		return
	}
	visit(c)
	for _, sub := range c.Commands() {
		eachCommand(sub, visit)
	}
}

// TestHelp reads every help text: it fits a terminal, shows an example, and is no list of flags that
// every command has.
func TestHelp(t *testing.T) {
	root := newRoot()
	eachCommand(root, func(c *cobra.Command) {
		text := helpOf(t, c.CommandPath())
		inExamples := false
		for _, line := range strings.Split(text, "\n") {
			// A command line is not broken for the eye's sake.
			if inExamples = line == "Examples:" || inExamples && line != ""; !inExamples && utf8.RuneCountInString(line) > 100 {
				t.Errorf("%s --help: %d characters in: %s", c.CommandPath(), utf8.RuneCountInString(line), line)
			}
		}
		if c.HasParent() && strings.Contains(text, "--tls-fingerprint string") {
			t.Errorf("%s --help lists the flags of every command", c.CommandPath())
		}
		if c.Runnable() && !c.HasSubCommands() && c.Example == "" {
			t.Errorf("%s --help shows no example", c.CommandPath())
		}
		if c.Parent() == root && c.GroupID == "" && !c.Hidden && c.Runnable() {
			t.Errorf("%s is in no group of `swathkeeper help`", c.CommandPath())
		}
	})
}

// TestWordsNameEveryAdvice: what a message may advise is explained by `swathkeeper help words`.
func TestWordsNameEveryAdvice(t *testing.T) {
	for _, advice := range protocol.Advices() {
		if advice != protocol.AdviceSilent && !strings.Contains(wordsHelp, advice) {
			t.Errorf("help words does not name %s", advice)
		}
	}
}

// TestFlagsAreAlike wants flags of one name to take one kind of value, and those that fill in a
// reading to be explained in one way.
func TestFlagsAreAlike(t *testing.T) {
	kinds, uses := map[string]string{}, map[string]string{}
	same := map[string]bool{"who": true, "path": true, "instrument": true, "preset": true, "station": true, "search": true, "layout": true, "calibration": true}
	other := map[string]bool{
		"printer": true,                  // a station's key may name several
		"celsius": true, "seconds": true, // a range where it is a plan
		"dpi": true, // scanners count whole ones
	}
	eachCommand(newRoot(), func(c *cobra.Command) {
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if was, ok := kinds[f.Name]; ok && !other[f.Name] && was != f.Value.Type() {
				t.Errorf("%s --%s takes %s, elsewhere %s", c.CommandPath(), f.Name, f.Value.Type(), was)
			}
			kinds[f.Name] = f.Value.Type()
			if was, ok := uses[f.Name]; ok && same[f.Name] && was != f.Usage {
				t.Errorf("%s --%s: %q, elsewhere %q", c.CommandPath(), f.Name, f.Usage, was)
			}
			uses[f.Name] = f.Usage
		})
	})
}
