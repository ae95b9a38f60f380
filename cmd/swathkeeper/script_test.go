package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts runs testdata/script/*.txtar: each starts the real program, as people do. $charts and
// $files are the folders of testdata; `exits N swathkeeper ...` wants the exit status N.
func TestScripts(t *testing.T) {
	p := scripts(t)
	p.Dir = "testdata/script"
	testscript.Run(t, p)
}

// scripts are the commands and the surroundings of a script, wherever it comes from.
func scripts(t *testing.T) testscript.Params {
	t.Helper()
	charts, err := filepath.Abs("../../testdata/charts")
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return testscript.Params{
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			bin := filepath.Join(e.WorkDir, ".bin")
			if err := os.Mkdir(bin, 0o755); err != nil {
				return err
			}
			if err := os.Symlink(self, filepath.Join(bin, "swathkeeper")); err != nil {
				return err
			}
			e.Setenv("PATH", bin+string(os.PathListSeparator)+e.Getenv("PATH"))
			e.Setenv(asProgram, "1")
			e.Setenv("charts", charts)
			e.Setenv("files", filepath.Join(filepath.Dir(charts), "files"))
			e.Setenv("TZ", "UTC")
			e.Setenv("HOME", e.WorkDir)
			// The path of a browser's socket must be short (unix(7): 108 bytes).
			tmp, err := os.MkdirTemp("", "s")
			if err != nil {
				return err
			}
			e.Defer(func() { _ = os.RemoveAll(tmp) })
			e.Setenv("TMPDIR", tmp)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"appears":  appears,
			"soon":     soon,
			"scanned":  scanned,
			"measured": measured,
			"dialled":  dialled,
			"verdicts": verdicts,
			"tiles":    tiles,
			"exits": func(ts *testscript.TestScript, neg bool, args []string) {
				if neg || len(args) < 2 {
					ts.Fatalf("exits STATUS COMMAND ...")
				}
				want, err := strconv.Atoi(args[0])
				ts.Check(err)
				got := 0
				if err := ts.Exec(args[1], args[2:]...); err != nil {
					var exit *exec.ExitError
					if !errors.As(err, &exit) {
						ts.Fatalf("%v", err)
					}
					got = exit.ExitCode()
				}
				if got != want {
					ts.Fatalf("exit status %d, want %d", got, want)
				}
			},
		},
	}
}
