package judge

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// Options are the shop's choices. The zero value means the documented defaults.
type Options struct {
	Drift drift.Options
	Lines banding.Options
}

// StateVersion changes when State can no longer be read by older code, or older State by this
// code; a series then starts afresh and its verdict says so.
const StateVersion = 1

// State is what a series carries from reading to reading.
type State struct {
	Version  int       `json:"version"`
	Baseline string    `json:"baseline,omitempty"` // id of the baseline that Drift belongs to
	Digest   string    `json:"digest,omitempty"`   // where that baseline is stored
	Newest   time.Time `json:"newest,omitzero"`    // taken_at of the newest reading judged
	// Recent holds short digests of the ids of the last readings, so that one sent twice is known.
	Recent []string `json:"recent,omitempty"`
	// Learned are the readings taken as known-good since learning began, oldest first.
	Learned []Learned    `json:"learned,omitempty"`
	Drift   *drift.State `json:"drift,omitempty"`
	// Prints are the numbers of the prints in a row that show the same change, empty for one without.
	Prints []string `json:"prints,omitempty"`
	Serial string   `json:"serial,omitempty"` // of the instrument last seen
}

// Learned is a reading that waits to become part of a baseline.
type Learned struct {
	Reading string    `json:"reading"`
	Seq     uint64    `json:"seq"` // in the inbox
	At      time.Time `json:"at"`
}

// recentKept is how many reading ids a series remembers.
const recentKept = 32

// maxLearned bounds a baseline; more readings add nothing.
const maxLearned = 100

// Input is one reading with all that it is judged by.
type Input struct {
	Reading *protocol.Reading
	Seq     uint64 // in the inbox; 0 outside a bus
	Chart   *protocol.Chart
	Model   *Model // nil: no baseline yet
	State   State
	// Learning says that the shop has marked this reading as known-good.
	Learning bool
	// Other is what the printer's prints showed at the other stage, before or after the press; nil: not known.
	Other *cause.OtherStage
	// Lines is what FindLines found ahead on this reading; nil: it is looked for now.
	Lines *Lines
}

// Model is a baseline prepared for judging. It may be used by several goroutines at once.
type Model struct {
	Baseline *Baseline
	drift    *drift.Model
	lines    *banding.Detector
	grid     *grid // nil: the layout has no rows
}

// Prepare makes a baseline ready for judging.
func Prepare(b *Baseline) (*Model, error) {
	m := &Model{Baseline: b}
	if b.Colour != nil {
		var err error
		if m.drift, err = b.Colour.Prepare(); err != nil {
			return nil, fmt.Errorf("baseline %s: %w", b.ID, err)
		}
		if m.grid, err = newGrid(b.Chart, b.Colour); err != nil {
			return nil, err
		}
	}
	if b.Lines != nil {
		var err error
		if m.lines, err = b.Lines.Prepare(); err != nil {
			return nil, fmt.Errorf("baseline %s: %w", b.ID, err)
		}
	}
	return m, nil
}

// Ref names the baseline as a verdict does.
func (m *Model) Ref() protocol.BaselineRef {
	if m == nil {
		return protocol.BaselineRef{Grade: protocol.GradeNone}
	}
	return protocol.BaselineRef{Grade: m.Baseline.Grade, ID: m.Baseline.ID, Count: m.Baseline.Count}
}

// Judge gives the verdict on one reading and the state for the next one. The reading has been
// validated and belongs to in.Chart. A reading older than the newest one judged is late: it gets
// its verdict and moves nothing.
func Judge(in Input, o Options) (*protocol.Verdict, State, error) {
	r := in.Reading
	v := &protocol.Verdict{
		Schema: protocol.SchemaVerdict, ID: protocol.DerivedID(r.ID, "verdict"), Reading: r.ID, ReadingSeq: in.Seq,
		At: r.TakenAt, Site: r.Site, Printer: r.Printer, Series: r.Series(),
		Chart: r.Chart, Edition: r.Edition, Condition: r.Condition, Station: r.Station, Press: r.Press, Lots: r.Lots, Baseline: in.Model.Ref(),
	}
	if r.Print != nil {
		v.Print = r.Print.Number
	}
	st := in.State
	v.Late = !st.Newest.IsZero() && r.TakenAt.Before(st.Newest)
	if st.Version != StateVersion && st.Version != 0 {
		v.Warnings = append(v.Warnings, fmt.Sprintf("the memory of this series is of version %d, this program keeps version %d: it starts afresh", st.Version, StateVersion))
		st.Drift = nil
	}
	if in.Model != nil && st.Baseline != in.Model.Baseline.ID {
		if st.Baseline != "" {
			v.Warnings = append(v.Warnings, "another baseline than at the last reading: the memory of slow change starts afresh")
		}
		st.Drift, st.Baseline = nil, in.Model.Baseline.ID
	}
	if s := r.Instrument.Serial; s != "" && st.Serial != "" && s != st.Serial {
		v.Warnings = append(v.Warnings, fmt.Sprintf("another instrument (serial %s) than at the last reading (%s): part of the difference may be the instrument's", s, st.Serial))
	}

	if err := judgeChart(in, v, &st, o); err != nil {
		return nil, in.State, err
	}
	if v.Outcome == "" {
		v.Outcome = protocol.Steady
	}
	if v.Late {
		// The state goes into the verdict unmoved, so that the last verdict always holds it.
		st = in.State
	} else {
		st.remember(in)
	}
	state, err := json.Marshal(st)
	if err != nil {
		return nil, in.State, fmt.Errorf("state: %w", err)
	}
	v.State = state
	return v, st, nil
}

// remember moves the state past a reading that is not late.
func (st *State) remember(in Input) {
	r := in.Reading
	st.Version = StateVersion
	st.Newest = r.TakenAt
	if r.Instrument.Serial != "" {
		st.Serial = r.Instrument.Serial
	}
	st.Recent = append(slices.Clone(st.Recent), shortID(r.ID))
	if n := len(st.Recent); n > recentKept {
		st.Recent = st.Recent[n-recentKept:]
	}
	if in.Learning {
		st.Learned = append(slices.Clone(st.Learned), Learned{Reading: r.ID, Seq: in.Seq, At: r.TakenAt})
		if n := len(st.Learned); n > maxLearned {
			st.Learned = st.Learned[n-maxLearned:]
		}
	}
}

// Seen reports whether a reading has been judged in this series before, as far as it remembers.
func (st *State) Seen(reading string) bool { return slices.Contains(st.Recent, shortID(reading)) }

// shortID is 48 bits of a digest: enough to tell 32 readings apart, and a third of an id in every
// record. (The ids of one station begin alike, so a part of the id itself would not do.)
func shortID(id string) string {
	sum := sha256.Sum256([]byte(id))
	return hex.EncodeToString(sum[:6])
}

// judgeChart looks for lines, then at the colours, then for causes, and sets the outcome.
func judgeChart(in Input, v *protocol.Verdict, st *State, o Options) error {
	lines, sure, err := judgeLines(in, v, o)
	if err != nil {
		return err
	}
	var colour *drift.Result
	var patches *drift.Sample
	if in.Model != nil && !in.Learning {
		var rows []cause.Line
		if patches, colour, rows, err = judgeColour(in, v, st); err != nil {
			return err
		}
		lines = mergeSections(lines, rows)
	}
	switch {
	case in.Learning:
		v.Outcome = protocol.Learning
		for _, l := range lines {
			if l.Level != cause.Note {
				v.Warnings = append(v.Warnings, "this reading is taken as known-good, and yet it shows lines: look at the print before you accept the baseline")
				break
			}
		}
		return nil
	case in.Model == nil:
		v.Outcome = protocol.Learning
		v.Warnings = append(v.Warnings, "there is no baseline yet: mark good readings with `baseline learn`, then freeze them with `baseline accept`")
	}
	// An unusable chart still has lines that are worth telling.
	decide(in, v, evidence(in, patches, colour, st, lines), sure)
	return keepSeen(in, v, patches)
}

// judgeColour compares the patches with the baseline.
func judgeColour(in Input, v *protocol.Verdict, st *State) (*drift.Sample, *drift.Result, []cause.Line, error) {
	if in.Reading.Patches == nil || in.Model.drift == nil {
		return nil, nil, nil, nil
	}
	s, err := sample(in.Chart, in.Reading)
	if err != nil {
		return nil, nil, nil, err
	}
	var state drift.State
	if st.Drift != nil {
		state = *st.Drift
	}
	res, next, err := in.Model.drift.Judge(s, state)
	var unusable *drift.UnusableError
	if errors.As(err, &unusable) {
		v.Outcome = protocol.Unusable
		v.Warnings = append(v.Warnings, unusable.Error())
		return nil, nil, nil, nil
	}
	if err != nil {
		return nil, nil, nil, err
	}
	next.EWMA, next.CusumHigh, next.CusumLow = round6s(slices.Clone(next.EWMA)), round6s(next.CusumHigh), round6s(next.CusumLow)
	next.Last, next.Change = round6s(next.Last), round6s(next.Change)
	next.Mean, next.Alike = round6s(next.Mean), round6s(next.Alike)
	st.Drift = &next
	v.Colour = colourOf(&res)
	for _, w := range res.Warnings {
		v.Warnings = append(v.Warnings, w.Text)
	}
	rows, err := in.Model.judgeRows(v, &s, &res)
	if err != nil {
		return nil, nil, nil, err
	}
	res.Rows = nil // said by the grid
	return &s, &res, rows, nil
}
