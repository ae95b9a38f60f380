package protocol

import (
	"fmt"
	"time"
)

// Limits of a reading. They bound memory and time, far above what a chart needs.
const (
	MaxPatches  = 5000
	MaxTraces   = 64
	MaxSamples  = 100_000 // of one trace
	MaxChannels = 16
	MaxNote     = 500 // characters of free text
	MaxText     = 200 // bytes of a name
)

// MaxAhead is how far after the worker's clock a reading may have been taken.
const MaxAhead = 24 * time.Hour

// CheckTime refuses a reading taken more than MaxAhead after now.
func (r *Reading) CheckTime(now time.Time) error { return checkAhead("taken_at", r.TakenAt, now) }

func checkAhead(field string, t, now time.Time) error {
	if t.After(now.Add(MaxAhead)) {
		return refuse(CodeFuture, field, fmt.Sprintf("%s is more than a day ahead of the worker's clock (%s); set the sender's clock",
			t.Format(time.RFC3339), now.UTC().Format(time.RFC3339)))
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

// Validate checks a reading in itself, without its chart layout and without a clock. The error is
// always a *Refusal.
func (r *Reading) Validate() error {
	err := first(
		checkID("id", r.ID),
		checkTime("taken_at", r.TakenAt),
		checkToken("site", r.Site),
		checkToken("printer", r.Printer),
		checkTokenOr("station", r.Station),
		checkToken("chart", r.Chart),
		checkTokenOr("edition", r.Edition),
		checkToken("condition.media", r.Condition.Media),
		checkToken("condition.preset", r.Condition.Preset),
	)
	if err != nil {
		return err
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
	if err := checkCount("traces", len(r.Traces), MaxTraces, "traces"); err != nil {
		return err
	}
	for i := range r.Traces {
		if err := r.Traces[i].validate(); err != nil {
			return within(fmt.Sprintf("traces[%d]", i), err)
		}
		for k := range i {
			if r.Traces[k].Strip == r.Traces[i].Strip {
				return refuse(CodeDuplicateStrip, fmt.Sprintf("traces[%d].strip", i), fmt.Sprintf("strip %q stands twice; a reading gives each strip once", clip(r.Traces[i].Strip, 60)))
			}
		}
	}
	return nil
}

// validateFacts bounds what is carried along as evidence.
func (r *Reading) validateFacts() error {
	if err := checkWords("note", r.Note); err != nil {
		return err
	}
	if p := r.Print; p != nil {
		if p.Replicates < 0 || p.Replicates > 1000 {
			return refuse(CodeOutOfRange, "print.replicates", "give how many readings were averaged, 1 to 1000")
		}
		if err := first(checkText("print.number", p.Number), checkTimeOf("print.printed_at", p.PrintedAt), checkTimeOf("print.pressed_at", p.PressedAt)); err != nil {
			return err
		}
	}
	if err := r.Press.validate("press"); err != nil {
		return err
	}
	if m := r.Room; m != nil {
		if err := first(checkNumber("room.celsius", m.Celsius, -60, 80, "degrees Celsius"),
			checkNumber("room.humidity_percent", m.HumidityPercent, 0, 100, "percent")); err != nil {
			return err
		}
	}
	if err := r.Lots.validate("lots"); err != nil {
		return err
	}
	if s := r.Scan; s != nil {
		if !isHex(s.Object, 64) {
			return refuse(CodeBadValue, "scan.object", "give the SHA-256 of the picture as 64 hex digits in lower case")
		}
		if s.Bytes < 0 {
			return refuse(CodeOutOfRange, "scan.bytes", "the size of the picture in bytes cannot be negative")
		}
		return checkNumber("scan.dpi", s.DPI, 0, 20_000, "samples per inch")
	}
	return nil
}

func (p *Press) validate(field string) error {
	if p == nil {
		return nil
	}
	return first(checkNumber(field+".celsius", p.Celsius, 0, 400, "degrees Celsius"),
		checkNumber(field+".seconds", p.Seconds, 0, 3600, "seconds"),
		checkText(field+".pressure", p.Pressure))
}

func (l *Lots) validate(field string) error {
	if l == nil {
		return nil
	}
	if err := checkCount(field+".ink", len(l.Ink), MaxChannels, "inks"); err != nil {
		return err
	}
	for k, v := range l.Ink {
		if err := first(checkName(field+".ink", k), checkText(field+".ink", v)); err != nil {
			return err
		}
	}
	return checkText(field+".media", l.Media)
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
	return first(checkText(field+".model", in.Model), checkText(field+".serial", in.Serial),
		checkTimeOf(field+".calibrated_at", in.CalibratedAt))
}
