package main

import (
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestManualPages writes them as a release does, and lets man read them: a page for every command that
// help lists, dated by SOURCE_DATE_EPOCH, and nothing of this machine in them.
func TestManualPages(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("HOME", "~")
	t.Setenv("XDG_STATE_HOME", "")
	t.Setenv("SOURCE_DATE_EPOCH", "1773014400") // 9 March 2026
	if code := run(nil, io.Discard, os.Stderr, []string{"man", dir}); code != exitFine {
		t.Fatalf("exit %d", code)
	}
	var visit func(c *cobra.Command, name string)
	visit = func(c *cobra.Command, name string) {
		if c.Hidden || c.Name() == "help" || c.Name() == "completion" || c.IsAdditionalHelpTopicCommand() {
			return
		}
		b, err := os.ReadFile(filepath.Join(dir, name+".1"))
		if err != nil {
			t.Error(err)
			return
		}
		if page := string(b); !strings.Contains(page, "Mar 2026") || strings.Contains(page, "/root/") || strings.Contains(page, "/home/") {
			t.Errorf("%s: another date, or a folder of this machine", name)
		}
		for _, sub := range c.Commands() {
			visit(sub, name+"-"+sub.Name())
		}
	}
	visit(newRoot(), "swathkeeper")

	if _, err := osexec.LookPath("groff"); err != nil {
		t.Skip("no groff here: nobody read the pages")
	}
	pages, _ := filepath.Glob(filepath.Join(dir, "*.1"))
	out, err := osexec.Command("groff", append([]string{"-man", "-Tutf8", "-ww", "-z"}, pages...)...).CombinedOutput()
	// A command line is as long as it is.
	for _, line := range strings.Split(string(out), "\n") {
		if line != "" && !strings.Contains(line, "cannot adjust line") && !strings.Contains(line, "can't break line") {
			t.Error(line)
		}
	}
	if err != nil {
		t.Error(err)
	}
}
