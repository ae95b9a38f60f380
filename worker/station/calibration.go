package station

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/scan"
	"swathkeeper/protocol"
	"swathkeeper/protocol/exchange"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/limited"
)

// SchemaCalibration is the schema of a calibration's file.
const SchemaCalibration = "swathkeeper.calibration/1"

// CalibrationFile is the name of the file in the data folder that holds this machine's scanner's
// calibration.
const CalibrationFile = "scanner.json"

// Calibration turns one scanner's light into colours, with where it comes from.
type Calibration struct {
	Schema  string    `json:"schema"`
	At      time.Time `json:"at"` // when it was made
	Chart   string    `json:"chart"`
	Edition string    `json:"edition,omitzero"`
	Print   string    `json:"print,omitzero"` // number of the sheet that both have read
	// Picture and Measurement are the names of the files it was made from.
	Picture     string `json:"picture"`
	Measurement string `json:"measurement"`
	*scan.Calibration
}

// LoadCalibration reads a calibration that was kept.
func LoadCalibration(path string) (*Calibration, error) {
	b, err := limited.Read(path, limited.Large)
	if err != nil {
		return nil, fmt.Errorf("calibration: %w", err)
	}
	var c Calibration
	switch err := json.Unmarshal(b, &c); {
	case err != nil:
		return nil, fmt.Errorf("calibration %s: %w", path, err)
	case c.Schema != SchemaCalibration || c.Calibration == nil:
		return nil, fmt.Errorf("calibration %s: it is none; `swathkeeper scan calibrate` makes one", path)
	}
	if err := c.Validate(); err != nil {
		return nil, fmt.Errorf("calibration %s: %w", path, err)
	}
	return &c, nil
}

// Save keeps a calibration, whole or not at all.
func (c *Calibration) Save(path string) error {
	b, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("calibration: %w", err)
	}
	if err := writeSafe(path, append(b, '\n')); err != nil {
		return fmt.Errorf("calibration: %w", err)
	}
	return nil
}

// Calibrated is how well a calibration fits, beside the calibration.
type Calibrated struct {
	*Calibration
	WorstPatch string   // the patch with the largest error
	Before     float64  // mean CIEDE2000 without the calibration
	LeftOut    []string // patches that are clipped or dirty in the picture
	Warnings   []string
}

// tooFar is the mean error, in CIEDE2000, beyond which a picture and a measurement are not of one
// print. A flatbed scanner is calibrated to 1 or 2 (common practice, no source).
const tooFar = 5.0

// Calibrate fits a calibration from the reading of a picture and a spectrophotometer's measurement
// of the same print.
func Calibrate(s *scan.Reading, picture, measured string, fill Fill, now time.Time) (*Calibrated, error) {
	if len(s.Patches) == 0 {
		return nil, errors.New("the picture is grey, or its chart has no patches: a calibration needs colours; scan in RGB")
	}
	layout, err := FromLayout(s.Layout)
	if err != nil {
		return nil, err
	}
	labs, warnings, err := measuredLabs(measured, layout, fill)
	if err != nil {
		return nil, err
	}
	out := &Calibrated{Warnings: warnings}
	var rgb [][3]float64
	var lab []colour.Lab
	var ids []string
	for _, p := range s.Patches {
		want, ok := labs[p.ID]
		switch {
		case !ok:
		case p.Clipped > 0.01 || p.Dusty > 0.2:
			out.LeftOut = append(out.LeftOut, p.ID)
		default:
			rgb, lab, ids = append(rgb, p.RGB), append(lab, want), append(ids, p.ID)
			out.Before += colour.DE2000(p.Lab, want)
		}
	}
	out.Before /= float64(max(1, len(ids)))
	c, err := scan.Calibrate(rgb, lab)
	if err != nil {
		return nil, err
	}
	if c.Mean > tooFar {
		return nil, fmt.Errorf("the picture and %s do not go together: even the best fit leaves a mean of %.1f dE00; are they of one print, at one stage, and is it this chart?", measured, c.Mean)
	}
	c.Encoding = s.Encoding
	c.Name = "calibration of " + now.Format("2006-01-02")
	if s.Tag.Number != "" {
		c.Name += " on print " + s.Tag.Number
	}
	out.WorstPatch = ids[c.Worst]
	out.Calibration = &Calibration{Schema: SchemaCalibration, At: now.Truncate(time.Second), Chart: layout.ID, Edition: layout.Edition, Print: s.Tag.Number,
		Picture: filepath.Base(picture), Measurement: filepath.Base(measured), Calibration: c}
	return out, nil
}

// measuredLabs gives the L*a*b* of a measurement file by the layout's patch ids.
func measuredLabs(name string, layout *protocol.Chart, fill Fill) (map[string]colour.Lab, []string, error) {
	data, err := readBounded(name)
	if err != nil {
		return nil, nil, err
	}
	var patches *protocol.Patches
	var warnings []string
	if IsJSON(name, data) {
		r, err := protocol.DecodeReading(data)
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", name, err)
		}
		if r.Instrument.Kind == protocol.KindScanner {
			return nil, nil, fmt.Errorf("%s: it was read by a scanner; a calibration needs a spectrophotometer's reading", name)
		}
		patches = r.Patches
	} else {
		files, err := exchange.Read(data, name, fill.Options())
		if err != nil {
			return nil, nil, err
		}
		if patches, err = files[0].Patches(); err != nil {
			return nil, nil, err
		}
		if err := matchChart(layout, files[0], patches); err != nil {
			return nil, nil, err
		}
		warnings = files[0].Warnings
	}
	if patches == nil {
		return nil, nil, fmt.Errorf("%s: it has no patches", name)
	}
	labs, err := judge.Labs(patches)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	known := map[string]bool{}
	for _, p := range layout.Patches {
		known[p.ID] = true
	}
	out := map[string]colour.Lab{}
	for i, id := range patches.ID {
		out[id] = labs[i]
	}
	if !slices.ContainsFunc(patches.ID, func(id string) bool { return known[id] }) {
		return nil, nil, fmt.Errorf("%s: none of its patches is in chart %s", name, layout.ID)
	}
	return out, warnings, nil
}
