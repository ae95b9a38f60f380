package station

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/scan"
	"swathkeeper/protocol"
)

// IsPicture reports whether a file that begins so is a picture, TIFF or PNG or of a kind
// that [scan.Decode] refuses with a word on what to save instead. (A PDF may be of measurements; the
// readers of those name it.)
func IsPicture(head []byte) bool {
	s := string(head)
	for _, begins := range []string{"II*\x00", "MM\x00*", "\x89PNG\r\n\x1a\n", "II+\x00", "MM\x00+", "\xff\xd8\xff"} {
		if strings.HasPrefix(s, begins) {
			return true
		}
	}
	// These begin as a text might, too.
	return len(s) >= 12 && s[:4] == "RIFF" && s[8:12] == "WEBP" || len(s) > 6 && s[:2] == "BM" && strings.Contains(s[2:], "\x00")
}

// FileIsPicture is IsPicture for a file.
func FileIsPicture(name string) (bool, error) {
	f, err := os.Open(name)
	if err != nil {
		return false, err
	}
	defer func() { _ = f.Close() }()
	var head [16]byte
	n, err := io.ReadFull(f, head[:])
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return false, err
	}
	return IsPicture(head[:n]), nil
}

// Pictures is what reading scans of charts needs.
type Pictures struct {
	Layouts     *Layouts
	Calibration *Calibration // may be nil
}

// Read gives the reading that a picture becomes, and what the scan says about itself.
func (p *Pictures) Read(ctx context.Context, name string, fill Fill) (*protocol.Reading, *scan.Reading, error) {
	if p == nil {
		return nil, nil, fmt.Errorf("%s: it is a picture; this command takes measurement files", name)
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = f.Close() }()
	st, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	if fill.Kind == protocol.KindSpectrophotometer {
		fill.Kind = "" // a flag's default; a scan says that it is one
	}
	r, s, err := FromPicture(f, st.Size(), st.ModTime(), fill, p.Layouts.beside(filepath.Dir(name)).finder(ctx, fill), p.Calibration)
	if err != nil {
		return nil, s, fmt.Errorf("%s: %w", name, err)
	}
	return r, s, nil
}

// FindChart gives the layout that a scan's square code names. Without a readable code id and
// edition are empty; then it gives the layout that the user named, or an error.
type FindChart func(id, edition string) (*protocol.Chart, error)

// FromPicture gives the reading that the picture of a printed chart becomes, and beside it what
// the scan says about itself: turn, stretch, warnings. modified is when the picture was made;
// calibration may be nil. What the picture knows better than fill is taken from the picture:
// chart, edition, print number, and the stage of a mirrored chart, which must not contradict it.
func FromPicture(r io.ReaderAt, size int64, modified time.Time, fill Fill, find FindChart, calibration *Calibration) (*protocol.Reading, *scan.Reading, error) {
	p, err := scan.Decode(r, size, scan.Limits{})
	if err != nil {
		return nil, nil, err
	}
	s, err := scan.Read(p, func(t chart.Tag) (*chart.Layout, error) {
		c, err := find(t.Chart, t.Edition)
		if err != nil {
			return nil, err
		}
		return ToLayout(c)
	}, scan.Options{})
	if err != nil {
		return nil, nil, err
	}
	if calibration != nil {
		calibration.Apply(s)
	}
	if fill.Stage == "" {
		fill.Stage = s.Stage
	}
	if s.Stage != "" && fill.Stage != s.Stage {
		return nil, s, fmt.Errorf("the picture shows the chart at stage %s (by its handedness), not %s", s.Stage, fill.Stage)
	}
	number := s.Tag.Number
	if number == "" {
		number = fill.Print
	} else if fill.Print != "" && fill.Print != number {
		return nil, s, fmt.Errorf("the sheet's code says print %s, not %s", number, fill.Print)
	}
	out := &protocol.Reading{
		Schema: protocol.SchemaReading, TakenAt: modified.Truncate(time.Second), Site: fill.Site, Printer: fill.Printer, Station: fill.Station,
		Chart: s.Layout.ID, Edition: s.Layout.Edition,
		Condition:  protocol.Condition{Media: fill.Media, Preset: fill.Preset, Stage: fill.Stage, Path: fill.Path},
		Instrument: protocol.Instrument{Kind: protocol.KindScanner},
		Note:       cut("scan: "+strings.Join(append([]string{"colours " + s.Encoding}, s.Warnings...), "; "), 500),
	}
	if number != "" {
		out.Print = &protocol.Print{Number: number}
	}
	if len(s.Patches) > 0 {
		out.Patches = &protocol.Patches{}
		for _, v := range s.Patches {
			out.Patches.ID = append(out.Patches.ID, v.ID)
			out.Patches.Lab = append(out.Patches.Lab, [3]float64{v.Lab.L, v.Lab.A, v.Lab.B})
		}
	}
	for _, t := range s.Traces {
		out.Traces = append(out.Traces, protocol.Trace{Strip: t.Strip, Channel: t.Channel, TintPercent: t.Tint,
			StartMM: t.StartMM, PitchUM: t.PitchUM, Unit: protocol.UnitDensity, F32: protocol.PackF32(t.Values)})
	}
	sum := sha256.New()
	if _, err := io.Copy(sum, io.NewSectionReader(r, 0, size)); err != nil {
		return nil, s, fmt.Errorf("picture file: %w", err)
	}
	digest := sum.Sum(nil)
	out.Scan = &protocol.Scan{Object: hex.EncodeToString(digest), Bytes: size, DPI: s.DPI}
	out.ID = fileID(out, digest)
	return out, s, nil
}

// cut shortens a text to at most n bytes, at a whole letter.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n-3], "") + "..."
}
