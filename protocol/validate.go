package protocol

import (
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"
)

// Limits of a reading. They bound memory and time, far above what a chart needs.
const (
	MaxPatches  = 5000
	MaxTraces   = 64
	MaxSamples  = 100_000
	MaxChannels = 16
	MaxNote     = 500
	MaxText     = 200
)

// MaxAhead is how far after the worker's clock a reading may have been taken.
const MaxAhead = 24 * time.Hour

// CheckTime refuses a reading taken more than MaxAhead after now.
func (r *Reading) CheckTime(now time.Time) error {
	if r.TakenAt.After(now.Add(MaxAhead)) {
		return refuse(CodeFuture, "taken_at", fmt.Sprintf("%s is more than a day ahead of the worker's clock (%s); set the station's clock",
			r.TakenAt.Format(time.RFC3339), now.UTC().Format(time.RFC3339)))
	}
	return nil
}

// CheckSubject refuses a message whose body names another printer than its subject, since a
// station's credentials bind the subject.
func (r *Reading) CheckSubject(site, printer string) error {
	return checkSubject(r.Site, r.Printer, site, printer)
}

func checkSubject(bodySite, bodyPrinter, site, printer string) error {
	switch {
	case bodySite != site:
		return refuse(CodeWrongSubject, "site", fmt.Sprintf("the body says %q, the subject %q; they must agree", clip(bodySite, 70), clip(site, 70)))
	case bodyPrinter != printer:
		return refuse(CodeWrongSubject, "printer", fmt.Sprintf("the body says %q, the subject %q; they must agree", clip(bodyPrinter, 70), clip(printer, 70)))
	}
	return nil
}

func (r *Reading) schemaName() string { return r.Schema }

func (r *Reading) validate() error {
	if err := uuid.Validate(r.ID); err != nil || len(r.ID) != 36 {
		return refuse(CodeBadValue, "id", fmt.Sprintf("%q is not a UUID in its usual form of 36 characters", clip(r.ID, 60)))
	}
	if r.TakenAt.IsZero() {
		return refuse(CodeMissing, "taken_at", "give the time of the reading, like 2026-03-04T07:12:09+01:00")
	}
	if y := r.TakenAt.Year(); y < 2000 || y > 9999 {
		return refuse(CodeOutOfRange, "taken_at", fmt.Sprintf("year %d is before any such reading; set the station's clock", y))
	}
	for _, f := range []struct{ name, v string }{
		{"site", r.Site}, {"printer", r.Printer}, {"chart", r.Chart},
		{"condition.media", r.Condition.Media}, {"condition.preset", r.Condition.Preset},
	} {
		if err := checkToken(f.name, f.v); err != nil {
			return err
		}
	}
	for _, f := range []struct{ name, v string }{{"station", r.Station}, {"edition", r.Edition}} {
		if f.v != "" {
			if err := checkToken(f.name, f.v); err != nil {
				return err
			}
		}
	}
	if err := oneOf("condition.stage", r.Condition.Stage, false, StageTransfer, StagePressed, StageDirect); err != nil {
		return err
	}
	if err := oneOf("condition.path", r.Condition.Path, true, PathDevice, PathManaged); err != nil {
		return err
	}
	if err := r.Instrument.validate("instrument"); err != nil {
		return err
	}
	if r.TraceInstrument != nil {
		if err := r.TraceInstrument.validate("trace_instrument"); err != nil {
			return err
		}
	}
	if err := r.validateFacts(); err != nil {
		return err
	}
	if r.Patches == nil && len(r.Traces) == 0 {
		return refuse(CodeMissing, "patches", "a reading needs patches or traces, or both")
	}
	if r.Patches != nil {
		if err := r.Patches.validate(); err != nil {
			return err
		}
	}
	if len(r.Traces) > MaxTraces {
		return refuse(CodeOutOfRange, "traces", fmt.Sprintf("%d traces, at most %d", len(r.Traces), MaxTraces))
	}
	for i := range r.Traces {
		if err := r.Traces[i].validate(fmt.Sprintf("traces[%d]", i)); err != nil {
			return err
		}
	}
	return nil
}

// validateFacts bounds what is carried along as evidence.
func (r *Reading) validateFacts() error {
	if len(r.Note) > 4*MaxNote || len([]rune(r.Note)) > MaxNote {
		return refuse(CodeOutOfRange, "note", fmt.Sprintf("at most %d characters", MaxNote))
	}
	if p := r.Print; p != nil {
		if len(p.Number) > MaxText {
			return refuse(CodeOutOfRange, "print.number", fmt.Sprintf("at most %d bytes", MaxText))
		}
		if p.Replicates < 0 || p.Replicates > 1000 {
			return refuse(CodeOutOfRange, "print.replicates", "give how many readings were averaged, 1 to 1000")
		}
	}
	if p := r.Press; p != nil {
		if !inRange(p.Celsius, 0, 400) {
			return refuse(CodeOutOfRange, "press.celsius", "degrees Celsius, 0 to 400")
		}
		if !inRange(p.Seconds, 0, 3600) {
			return refuse(CodeOutOfRange, "press.seconds", "seconds, 0 to 3600")
		}
		if len(p.Pressure) > MaxText {
			return refuse(CodeOutOfRange, "press.pressure", fmt.Sprintf("at most %d bytes", MaxText))
		}
	}
	if m := r.Room; m != nil {
		if !inRange(m.Celsius, -60, 80) {
			return refuse(CodeOutOfRange, "room.celsius", "degrees Celsius, -60 to 80")
		}
		if !inRange(m.HumidityPercent, 0, 100) {
			return refuse(CodeOutOfRange, "room.humidity_percent", "percent, 0 to 100")
		}
	}
	if l := r.Lots; l != nil {
		if len(l.Ink) > MaxChannels {
			return refuse(CodeOutOfRange, "lots.ink", fmt.Sprintf("at most %d channels", MaxChannels))
		}
		for k, v := range l.Ink {
			if len(k) > MaxText || len(v) > MaxText {
				return refuse(CodeOutOfRange, "lots.ink", fmt.Sprintf("at most %d bytes a name", MaxText))
			}
		}
		if len(l.Media) > MaxText {
			return refuse(CodeOutOfRange, "lots.media", fmt.Sprintf("at most %d bytes", MaxText))
		}
	}
	if s := r.Scan; s != nil {
		if len(s.Object) != 64 {
			return refuse(CodeBadValue, "scan.object", "give the SHA-256 of the picture as 64 hex digits")
		}
		if s.Bytes < 0 || !inRange(s.DPI, 0, 20000) {
			return refuse(CodeOutOfRange, "scan", "bytes and dpi must be positive")
		}
	}
	return nil
}

func (in *Instrument) validate(field string) error {
	if err := oneOf(field+".kind", in.Kind, false, KindSpectrophotometer, KindScanner, KindColorimeter, KindDensitometer); err != nil {
		return err
	}
	if err := oneOf(field+".mode", in.Mode, true, "M0", "M1", "M2", "M3"); err != nil {
		return err
	}
	if err := oneOf(field+".backing", in.Backing, true, "white", "black", "self"); err != nil {
		return err
	}
	if len(in.Model) > MaxText || len(in.Serial) > MaxText {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("model and serial: at most %d bytes each", MaxText))
	}
	return nil
}

func (p *Patches) validate() error {
	n := len(p.ID)
	if n == 0 {
		return refuse(CodeMissing, "patches.id", "name the patches as the chart does")
	}
	if n > MaxPatches {
		return refuse(CodeOutOfRange, "patches.id", fmt.Sprintf("%d patches, at most %d", n, MaxPatches))
	}
	seen := make(map[string]struct{}, n)
	for i, id := range p.ID {
		if id == "" || len(id) > MaxText {
			return refuse(CodeBadValue, fmt.Sprintf("patches.id[%d]", i), fmt.Sprintf("1 to %d bytes", MaxText))
		}
		if _, twice := seen[id]; twice {
			return refuse(CodeDuplicatePatch, fmt.Sprintf("patches.id[%d]", i), fmt.Sprintf("patch %q stands twice; a reading gives each patch once", clip(id, 60)))
		}
		seen[id] = struct{}{}
	}
	kinds := 0
	for _, k := range []struct {
		name   string
		rows   Triples
		lo, hi [3]float64
	}{
		{"lab", p.Lab, [3]float64{-20, -300, -300}, [3]float64{200, 300, 300}},
		{"xyz", p.XYZ, [3]float64{-5, -5, -5}, [3]float64{250, 250, 250}},
		{"rgb", p.RGB, [3]float64{-0.1, -0.1, -0.1}, [3]float64{1.5, 1.5, 1.5}},
	} {
		if k.rows == nil {
			continue
		}
		kinds++
		if err := checkTriples("patches."+k.name, k.rows, n, k.lo, k.hi); err != nil {
			return err
		}
	}
	if p.Spectra != nil {
		kinds++
		if err := p.Spectra.validate(n); err != nil {
			return err
		}
	}
	if kinds != 1 {
		return refuse(CodeBadValue, "patches", fmt.Sprintf("needs exactly one of lab, xyz, spectra and rgb, has %d", kinds))
	}
	if p.RGB != nil {
		if err := oneOf("patches.encoding", p.Encoding, false, "linear", "srgb"); err != nil {
			return err
		}
	}
	if p.Device != nil {
		return checkRows("patches.device", p.Device, n, 1, MaxChannels, 0, 65535)
	}
	return nil
}

func (s *Spectra) validate(n int) error {
	if !inRange(s.StartNM, 200, 1000) {
		return refuse(CodeOutOfRange, "patches.spectra.start_nm", "nanometres, 200 to 1000")
	}
	if !inRange(s.StepNM, 1, 50) {
		return refuse(CodeOutOfRange, "patches.spectra.step_nm", "nanometres, 1 to 50")
	}
	if err := checkRows("patches.spectra.values", s.Values, n, 3, 1000, -0.05, 2); err != nil {
		return err
	}
	return nil
}

func (t *Trace) validate(field string) error {
	switch {
	case t.Strip == "" || len(t.Strip) > MaxText:
		return refuse(CodeBadValue, field+".strip", "name the strip as the chart does")
	case t.Channel == "" || len(t.Channel) > MaxText:
		return refuse(CodeBadValue, field+".channel", "name the channel as the chart does")
	case !inRange(t.TintPercent, 0, 100):
		return refuse(CodeOutOfRange, field+".tint_percent", "percent, 0 to 100")
	case !inRange(t.StartMM, -10_000, 100_000):
		return refuse(CodeOutOfRange, field+".start_mm", "millimetres on the chart")
	case !inRange(t.PitchUM, 1, 20_000):
		return refuse(CodeOutOfRange, field+".pitch_um", "micrometres from sample to sample, 1 to 20000")
	case (t.Values == nil) == (t.F32 == ""):
		return refuse(CodeBadValue, field, "needs values or f32, one of them")
	}
	if err := oneOf(field+".unit", t.Unit, false, "density", "lightness"); err != nil {
		return err
	}
	v, err := t.Samples()
	if err != nil {
		return refuse(CodeNotFinite, field+".f32", err.Error())
	}
	if len(v) < 2 || len(v) > MaxSamples {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("%d samples, needs 2 to %d", len(v), MaxSamples))
	}
	for i, x := range v {
		if !inRange(x, -200, 200) {
			return refuse(CodeOutOfRange, fmt.Sprintf("%s.values[%d]", field, i), fmt.Sprintf("%g is neither a density nor a lightness", x))
		}
	}
	return nil
}

func checkTriples(field string, rows [][3]float64, n int, lo, hi [3]float64) error {
	if len(rows) != n {
		return refuse(CodeBadValue, field, fmt.Sprintf("%d rows for %d patches", len(rows), n))
	}
	for i, row := range rows {
		for k, v := range row {
			if !inRange(v, lo[k], hi[k]) {
				return refuse(CodeOutOfRange, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%g is outside %g to %g", v, lo[k], hi[k]))
			}
		}
	}
	return nil
}

func checkRows(field string, rows Matrix, n, least, most int, lo, hi float64) error {
	if len(rows) != n {
		return refuse(CodeBadValue, field, fmt.Sprintf("%d rows for %d patches", len(rows), n))
	}
	for i, row := range rows {
		if len(row) != len(rows[0]) {
			return refuse(CodeBadValue, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%d numbers, the first row has %d", len(row), len(rows[0])))
		}
		if len(row) < least || len(row) > most {
			return refuse(CodeBadValue, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%d numbers, needs %d to %d", len(row), least, most))
		}
		for _, v := range row {
			if !inRange(v, lo, hi) {
				return refuse(CodeOutOfRange, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%g is outside %g to %g", v, lo, hi))
			}
		}
	}
	return nil
}

// inRange is false for NaN.
func inRange(v, lo, hi float64) bool { return v >= lo && v <= hi && !math.IsInf(v, 0) }

func oneOf(field, v string, optional bool, words ...string) error {
	if v == "" {
		if optional {
			return nil
		}
		return refuse(CodeMissing, field, fmt.Sprintf("give one of %v", words))
	}
	for _, w := range words {
		if v == w {
			return nil
		}
	}
	return refuse(CodeBadValue, field, fmt.Sprintf("%q is not one of %v", clip(v, 60), words))
}
