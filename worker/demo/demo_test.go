package demo_test

import (
	"bytes"
	"errors"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"swathkeeper/worker/demo"
)

// The week is told in the order in which it happened, with its three troubles and what mended them.
func TestWeek(t *testing.T) {
	if testing.Short() {
		t.Skip("a week of made-up charts")
	}
	var out bytes.Buffer
	if err := demo.Run(t.Context(), demo.Options{Out: &out, Dir: filepath.Join(t.TempDir(), "kept"), Fast: true}); err != nil {
		t.Fatalf("%v\n%s", err, &out)
	}
	days := "MonTueWedThuFriSatSun"
	last, n := -1, 0
	for _, m := range regexp.MustCompile(`(?m)^  ([A-Z][a-z]{2}) (\d\d:\d\d)  .*`).FindAllStringSubmatch(out.String(), -1) {
		at, err := time.Parse("15:04", m[2])
		if err != nil {
			t.Fatal(err)
		}
		now := strings.Index(days, m[1])/3*24*60 + at.Hour()*60 + at.Minute()
		if now < last {
			t.Errorf("told too late: %s", m[0])
		}
		last, n = now, n+1
	}
	if n < 7*9 {
		t.Errorf("%d lines, want one for each of 63 readings at least", n)
	}
	for _, want := range []string{
		"STOP heron (quay): cyan ink", "STOP plover (quay): magenta nozzles", "STOP dunlin (quay): heat press",
		"The ink change of Wed 11 Mar 13:00 helped.", "The clean of Thu 12 Mar 10:00 helped.", "The press work of Sat 14 Mar 10:00 helped.",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("nothing says %q", want)
		}
	}
	if t.Failed() {
		t.Log(out.String())
	}
}

func TestKeepsNothingOver(t *testing.T) {
	dir := t.TempDir()
	if err := demo.Run(t.Context(), demo.Options{Dir: filepath.Dir(dir)}); !errors.As(err, new(*demo.NotEmptyError)) {
		t.Errorf("a folder that holds something: %v", err)
	}
}

// What the demo alone does not need and what takes long to compile stays out of it.
func TestDemoStaysLight(t *testing.T) {
	goTool, err := exec.LookPath("go")
	if err != nil {
		t.Skip("no go command here")
	}
	deps, err := exec.CommandContext(t.Context(), goTool, "list", "-deps", "swathkeeper/cmd/demo").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, heavy := range []string{"github.com/parquet-go/parquet-go", "github.com/spf13/cobra", "github.com/knadh/koanf/v2"} {
		for line := range strings.Lines(string(deps)) {
			if strings.TrimSpace(line) == heavy {
				t.Errorf("cmd/demo links %s", heavy)
			}
		}
	}
}
