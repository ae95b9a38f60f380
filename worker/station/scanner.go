package station

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// scanProgram is SANE's command for one scan; it knows network and USB scanners of many makers.
const scanProgram = "scanimage"

// ErrNoScanProgram says that SANE's command is not installed.
var ErrNoScanProgram = errors.New("scanimage, the scanning command of SANE, is not installed (on Debian and Ubuntu: apt install sane-utils); or let the scanner's own program save into a watched folder")

// Scanner is one that SANE has found.
type Scanner struct {
	Device string `json:"device"`
	Vendor string `json:"vendor"`
	Model  string `json:"model"`
	Type   string `json:"type"`
}

// Scanners asks SANE which scanners there are. Network scanners may take half a minute to answer.
func Scanners(ctx context.Context) ([]Scanner, error) {
	out, _, err := runScan(ctx, "--formatted-device-list=%d\t%v\t%m\t%t%n")
	if err != nil {
		return nil, err
	}
	var list []Scanner
	for line := range strings.Lines(out) {
		t := strings.Split(strings.TrimRight(line, "\r\n"), "\t")
		if len(t) == 4 && t[0] != "" {
			list = append(list, Scanner{t[0], t[1], t[2], t[3]})
		}
	}
	return list, nil
}

// AcquireOptions says how a chart is scanned.
type AcquireOptions struct {
	Device string // as SANE names it; empty: the one there is
	DPI    int
	Mode   string // Color or Gray, as the scanner names them
	Bits   int    // of a sample; 0: the scanner's choice
	// AreaMM is the part of the bed that is scanned: left, top, width and height in mm; nil: all.
	AreaMM []float64
	// Settings are further settings of the scanner, NAME=VALUE.
	Settings []string
	// Path is where the picture is put; it appears there when it is whole.
	Path string
	// Fill, as far as it is given, is written into a sidecar beside the picture.
	Fill Fill
}

// Bounds of a resolution that a chart can be read at, in dots to the inch.
const (
	minScanDPI = 75
	maxScanDPI = 2400
)

var settingName = regexp.MustCompile(`^[a-z][a-z0-9-]*$`)

// notSettings are options of the command that are not the scanner's.
var notSettings = []string{"device-name", "format", "output-file", "batch", "batch-start", "batch-count", "batch-increment", "batch-double", "batch-print", "batch-prompt",
	"dont-scan", "test", "all-options", "help", "version", "list-devices", "formatted-device-list", "resolution", "mode", "depth", "buffer-size", "progress", "verbose", "icc-profile", "accept-md5-only"}

// args is the command line for a scan into a file.
func (o *AcquireOptions) args(file string) ([]string, error) {
	if o.DPI < minScanDPI || o.DPI > maxScanDPI {
		return nil, fmt.Errorf("resolution %d: a chart is scanned at %d to %d dpi; 300 shows the lines of single nozzles, 600 is better", o.DPI, minScanDPI, maxScanDPI)
	}
	a := []string{"--format=tiff", "--output-file=" + file, "--resolution=" + strconv.Itoa(o.DPI)}
	if o.Device != "" {
		a = append(a, "--device-name="+o.Device)
	}
	if o.Mode != "" {
		a = append(a, "--mode="+o.Mode)
	}
	switch o.Bits {
	case 0:
	case 8, 16:
		a = append(a, "--depth="+strconv.Itoa(o.Bits))
	default:
		return nil, fmt.Errorf("bits %d: give 8 or 16", o.Bits)
	}
	if o.AreaMM != nil {
		if len(o.AreaMM) != 4 || slices.Min(o.AreaMM) < 0 || o.AreaMM[2] == 0 || o.AreaMM[3] == 0 {
			return nil, errors.New("area: give left, top, width and height in mm, such as 0,0,210,297")
		}
		for i, n := range []string{"-l", "-t", "-x", "-y"} {
			a = append(a, n, strconv.FormatFloat(o.AreaMM[i], 'f', -1, 64))
		}
	}
	for _, s := range o.Settings {
		name, value, ok := strings.Cut(s, "=")
		if !ok || !settingName.MatchString(name) || slices.Contains(notSettings, name) {
			return nil, fmt.Errorf("setting %q: give NAME=VALUE of one of the scanner's own settings; `scanimage --device-name=DEVICE --all-options` lists them", s)
		}
		a = append(a, "--"+name+"="+value)
	}
	return a, nil
}

// Acquire scans once. When it ends, Path holds a whole picture or nothing; a file that is there
// already is not replaced. The warnings are what the scanner had to say.
func Acquire(ctx context.Context, o AcquireOptions) (warnings []string, err error) {
	if _, err := os.Lstat(o.Path); err == nil {
		return nil, fmt.Errorf("%s is there already", o.Path)
	}
	// Written under a hidden name beside its place, so that a watch passes it by until it is whole.
	dir, err := os.MkdirTemp(filepath.Dir(o.Path), ".scan-*")
	if err != nil {
		return nil, fmt.Errorf("place for the scan: %w", err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	part := filepath.Join(dir, "scan.tif")
	args, err := o.args(part)
	if err != nil {
		return nil, err
	}
	_, said, err := runScan(ctx, args...)
	if err != nil {
		return nil, err
	}
	for line := range strings.Lines(said) {
		line = strings.TrimPrefix(strings.TrimSpace(line), scanProgram+": ")
		if strings.HasPrefix(line, "rounded value of resolution") {
			return nil, fmt.Errorf("the scanner does not do %d dpi: %s", o.DPI, line)
		}
		if line != "" {
			warnings = append(warnings, line)
		}
	}
	if err := checkScanned(part); err != nil {
		return warnings, err
	}
	side, err := sidecarText(o.Fill)
	if err != nil {
		return warnings, err
	}
	if side != nil {
		// First, so that the picture never stands alone.
		if err := writeSafe(o.Path+".toml", side); err != nil {
			return warnings, fmt.Errorf("sidecar: %w", err)
		}
	}
	if err := os.Rename(part, o.Path); err != nil {
		_ = os.Remove(o.Path + ".toml")
		return warnings, fmt.Errorf("scan: %w", err)
	}
	return warnings, nil
}

// checkScanned makes sure that a picture came, whatever the command said.
func checkScanned(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("the scanner gave no picture: %w", err)
	}
	defer func() { _ = f.Close() }()
	var head [16]byte
	n, err := io.ReadFull(f, head[:])
	if err != nil || !IsPicture(head[:n]) {
		return errors.New("the scanner gave no picture")
	}
	return nil
}

// sidecarText is the sidecar that says what fill says; nil when that is nothing.
func sidecarText(f Fill) ([]byte, error) {
	m := map[string]string{}
	for k, v := range map[string]string{"site": f.Site, "printer": f.Printer, "station": f.Station, "media": f.Media, "preset": f.Preset, "stage": f.Stage,
		"path": f.Path, "chart": f.Chart, "print": f.Print} {
		if v != "" {
			m[k] = v
		}
	}
	if len(m) == 0 {
		return nil, nil
	}
	return toml.Marshal(m)
}

// runScan runs SANE's command and gives what it printed and what it said about it.
func runScan(ctx context.Context, args ...string) (out, said string, err error) {
	program, err := exec.LookPath(scanProgram)
	if err != nil {
		return "", "", ErrNoScanProgram
	}
	c := exec.CommandContext(ctx, program, args...)
	// Asked to stop first, so that the scanner's lamp and carriage go home.
	c.Cancel = func() error { return c.Process.Signal(os.Interrupt) }
	c.WaitDelay = 10 * time.Second
	var stdout, stderr bytes.Buffer
	c.Stdout, c.Stderr = &stdout, &stderr
	err = c.Run()
	said = stderr.String()
	switch {
	case ctx.Err() != nil:
		return "", said, fmt.Errorf("the scan was broken off: %w", context.Cause(ctx))
	case err != nil:
		why := strings.TrimSpace(said)
		if why == "" {
			why = err.Error()
		}
		return "", said, fmt.Errorf("scanner: %s", strings.ReplaceAll(why, "\n", "; "))
	}
	return stdout.String(), said, nil
}
