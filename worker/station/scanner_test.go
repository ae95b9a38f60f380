package station

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"swathkeeper/measure/scan"
)

// needSANE skips a test where SANE's command, with its backend for tests, is not installed.
func needSANE(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath(scanProgram); err != nil {
		t.Skip("scanimage is not installed (apt-get install sane-utils)")
	}
	if out, err := exec.CommandContext(t.Context(), scanProgram, "--device-name=test", "--dont-scan").CombinedOutput(); err != nil {
		t.Skipf("SANE has no backend for tests here: %s", out)
	}
}

// SANE's own test backend stands in for a scanner.
func TestAcquire(t *testing.T) {
	t.Parallel()
	needSANE(t)
	dir := t.TempDir()
	o := AcquireOptions{Device: "test", DPI: 100, Mode: "Color", Bits: 8, AreaMM: []float64{10, 20, 80, 60}, Settings: []string{"test-picture=Grid"},
		Path: filepath.Join(dir, "a.tif"), Fill: Fill{Site: "quay", Printer: "heron", Media: "pennant-knit", Preset: "deep"}}
	warnings, err := Acquire(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if len(warnings) > 0 {
		t.Logf("the scanner says %q", warnings)
	}
	f, err := os.Open(o.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	st, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	p, err := scan.Decode(f, st.Size(), scan.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	// 80 by 60 mm at 100 dpi are 315 by 236 pixels.
	if p.DPI[0] < 99 || p.DPI[0] > 101 || p.W < 312 || p.W > 318 || p.H < 233 || p.H > 239 {
		t.Errorf("%d by %d pixels at %v dpi", p.W, p.H, p.DPI)
	}
	fill, err := fillFor(dir, "a.tif", Fill{})
	if err != nil || fill != o.Fill {
		t.Errorf("sidecar says %+v, %v", fill, err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".scan-*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
	if _, err := Acquire(t.Context(), o); err == nil || !strings.Contains(err.Error(), "there already") {
		t.Errorf("over a file: %v", err)
	}

	for what, c := range map[string]struct {
		change func(*AcquireOptions)
		says   string
	}{
		"cover open":              {func(o *AcquireOptions) { o.Settings = []string{"read-return-value=SANE_STATUS_COVER_OPEN"} }, "cover is open"},
		"jammed":                  {func(o *AcquireOptions) { o.Settings = []string{"read-return-value=SANE_STATUS_JAMMED"} }, "jam"},
		"no such scanner":         {func(o *AcquireOptions) { o.Device = "nowhere" }, "nowhere"},
		"no such mode":            {func(o *AcquireOptions) { o.Mode = "Purple" }, "mode"},
		"no such setting":         {func(o *AcquireOptions) { o.Settings = []string{"bogus=1"} }, "bogus"},
		"not the scanner's own":   {func(o *AcquireOptions) { o.Settings = []string{"output-file=/tmp/x"} }, "own settings"},
		"no setting":              {func(o *AcquireOptions) { o.Settings = []string{"-x"} }, "NAME=VALUE"},
		"more than it can":        {func(o *AcquireOptions) { o.DPI = 2400 }, "does not do 2400 dpi"},
		"too coarse for a chart":  {func(o *AcquireOptions) { o.DPI = 50 }, "75 to 2400"},
		"an area without a size":  {func(o *AcquireOptions) { o.AreaMM = []float64{0, 0, 0, 10} }, "area"},
		"a number of bits":        {func(o *AcquireOptions) { o.Bits = 12 }, "8 or 16"},
		"a folder that is not":    {func(o *AcquireOptions) { o.Path = filepath.Join(dir, "no", "a.tif") }, "place for the scan"},
		"a status of end at once": {func(o *AcquireOptions) { o.Settings = []string{"read-return-value=SANE_STATUS_IO_ERROR"} }, "rror"},
	} {
		n := o
		n.Settings = nil
		n.Path = filepath.Join(dir, "b.tif")
		c.change(&n)
		if _, err := Acquire(t.Context(), n); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", what, err)
		}
		if _, err := os.Lstat(n.Path); err == nil {
			t.Errorf("%s left a picture", what)
		}
		if _, err := os.Lstat(n.Path + ".toml"); err == nil {
			t.Errorf("%s left a sidecar", what)
		}
	}

	// A scan that is broken off leaves nothing.
	ctx, cancel := context.WithCancel(t.Context())
	slow := o
	slow.Path = filepath.Join(dir, "slow.tif")
	slow.DPI, slow.Settings = 300, []string{"read-limit=yes", "read-limit-size=64", "read-delay=yes", "read-delay-duration=200000"}
	done := make(chan error, 1)
	go func() { _, err := Acquire(ctx, slow); done <- err }()
	for { // until it has begun
		if begun, _ := filepath.Glob(filepath.Join(dir, ".scan-*", "*")); len(begun) > 0 {
			break
		}
		select {
		case err := <-done:
			t.Fatalf("ended before it was broken off: %v", err)
		case <-time.After(10 * time.Millisecond):
		}
	}
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("broken off: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".scan-*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
}

func TestScanners(t *testing.T) {
	t.Parallel()
	needSANE(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if _, err := Scanners(ctx); err != nil { // there need not be any
		t.Error(err)
	}
}

func TestNoScanProgram(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	o := AcquireOptions{DPI: 300, Path: filepath.Join(t.TempDir(), "a.tif")}
	if _, err := Acquire(t.Context(), o); !errors.Is(err, ErrNoScanProgram) {
		t.Errorf("%v", err)
	}
}
