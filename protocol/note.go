package protocol

import (
	"fmt"
	"strings"
	"time"
)

// Note is what a person, or another program, tells the worker about a printer. It holds exactly
// one of Journal, Baseline, Hold and Close.
type Note struct {
	Schema  string    `json:"schema"`
	ID      string    `json:"id"` // UUID
	At      time.Time `json:"at"` // when it was done, with the shop's offset
	Site    string    `json:"site"`
	Printer string    `json:"printer"`
	Who     string    `json:"who,omitzero"`
	Text    string    `json:"text,omitzero"` // free text, at most 500 characters

	Journal  *JournalNote  `json:"journal,omitzero"`
	Baseline *BaselineNote `json:"baseline,omitzero"`
	Hold     *HoldNote     `json:"hold,omitzero"`
	Close    *CloseNote    `json:"close,omitzero"`
}

// What a journal entry may say was done.
const (
	DidClean   = "clean"
	DidInk     = "ink"
	DidProfile = "profile"
	DidPress   = "press"
	DidMedia   = "media"
	DidService = "service"
	DidNote    = "note"
)

// JournalNote is what the operator did.
type JournalNote struct {
	What    string `json:"what"`             // clean, ink, profile, press, media, service or note
	Channel string `json:"channel,omitzero"` // of a clean or an ink
	Lot     string `json:"lot,omitzero"`     // of an ink or a medium
}

// What a baseline note may ask for.
const (
	BaselineLearn  = "learn"  // the next readings are known-good
	BaselineAccept = "accept" // freeze what was learned
	BaselineRetire = "retire" // stop judging against the baseline in force
)

// BaselineNote marks readings as known-good, or freezes them.
type BaselineNote struct {
	Do     string `json:"do"`              // learn, accept or retire
	Series string `json:"series,omitzero"` // empty: every series of the printer
	Reason string `json:"reason,omitzero"` // required where a baseline is replaced or retired
	// Preset, with learn, is what the series is printed with from here on.
	Preset *Preset `json:"preset,omitzero"`
}

// Preset is a set of driver settings that a shop keeps under a name.
type Preset struct {
	Name    string        `json:"name"` // a token; the preset of the readings to come
	Sliders []SliderValue `json:"sliders"`
	Media   string        `json:"media"` // a token
	Press   *Press        `json:"press,omitzero"`
	Aim     string        `json:"aim,omitzero"`       // what it was sought after, in a few words
	DE00    *float64      `json:"mean_de00,omitzero"` // how far from it the chart was measured to be
}

// Text lists a preset's settings for people.
func (p *Preset) Text() string {
	var b []string
	for _, v := range p.Sliders {
		b = append(b, fmt.Sprintf("%s %g", v.Name, *v.Value))
	}
	text := strings.Join(b, ", ") + " on " + p.Media
	if h := p.Press; h != nil {
		if h.Celsius > 0 {
			text += fmt.Sprintf(", pressed at %g °C", h.Celsius)
		}
		if h.Seconds > 0 {
			text += fmt.Sprintf(" for %g s", h.Seconds)
		}
		if h.Pressure != "" {
			text += ", pressure " + h.Pressure
		}
	}
	return text
}

// SliderValue is one setting of the driver, in the driver's own numbers.
type SliderValue struct {
	Name  string   `json:"name"`
	Value *float64 `json:"value"` // never nil in a valid note
}

// MaxSliders bounds the settings of a preset.
const MaxSliders = 64

// MaxSlider bounds a slider's values, either way from 0.
const MaxSlider = 1e6

func (p *Preset) validate() error {
	err := first(
		checkToken("baseline.preset.name", p.Name),
		checkToken("baseline.preset.media", p.Media),
		checkCount("baseline.preset.sliders", len(p.Sliders), MaxSliders, "sliders"),
		checkText("baseline.preset.aim", p.Aim),
	)
	if err != nil {
		return err
	}
	if len(p.Sliders) == 0 {
		return refuse(CodeMissing, "baseline.preset.sliders", "give the value of each slider of the driver")
	}
	for i, s := range p.Sliders {
		field := fmt.Sprintf("baseline.preset.sliders[%d]", i)
		if s.Value == nil {
			return refuse(CodeMissing, field+".value", "give the slider's value")
		}
		if err := first(checkName(field+".name", s.Name), checkNumber(field+".value", *s.Value, -MaxSlider, MaxSlider, "a slider's values")); err != nil {
			return err
		}
	}
	if p.Press != nil {
		if err := p.Press.validate("baseline.preset.press"); err != nil {
			return err
		}
	}
	if p.DE00 != nil {
		return checkNumber("baseline.preset.mean_de00", *p.DE00, 0, 200, "a colour difference")
	}
	return nil
}

// HoldNote silences an alert until a time.
type HoldNote struct {
	Key   string    `json:"key"`   // of the alert; site/printer/* for all of the printer
	Until time.Time `json:"until"` // at most [LongestHold] after the note
	Why   string    `json:"why"`
}

// LongestHold bounds a hold, so that a slip of the pen does not silence a printer for good. What is
// to be quiet longer is held again, or closed.
const LongestHold = 31 * 24 * time.Hour

// CloseNote closes an alert by hand.
type CloseNote struct {
	Key string `json:"key"` // of the alert; site/printer/* for all of the printer
	Why string `json:"why"`
}

// CheckSubject refuses a note whose body names another printer than its subject.
func (n *Note) CheckSubject(site, printer string) error {
	return checkSubject(n.Site, n.Printer, site, printer)
}

// CheckTime refuses a note more than MaxAhead after now.
func (n *Note) CheckTime(now time.Time) error { return checkAhead("at", n.At, now) }

func (n *Note) schemaName() string { return n.Schema }

// Validate checks a note in itself. The error is always a *Refusal.
func (n *Note) Validate() error {
	err := first(
		checkID("id", n.ID),
		checkTime("at", n.At),
		checkToken("site", n.Site),
		checkToken("printer", n.Printer),
		checkText("who", n.Who),
		checkWords("text", n.Text),
	)
	if err != nil {
		return err
	}
	parts := 0
	if n.Journal != nil {
		parts++
		err = first(err, n.Journal.validate())
	}
	if n.Baseline != nil {
		parts++
		err = first(err, n.Baseline.validate())
	}
	if n.Hold != nil {
		parts++
		err = first(err, n.Hold.validate(n))
	}
	if n.Close != nil {
		parts++
		err = first(err, n.checkKey("close.key", n.Close.Key), needWords("close.why", n.Close.Why, "say why the alert is closed"))
	}
	switch {
	case err != nil:
		return err
	case parts == 0:
		return refuse(CodeMissing, "journal", "a note holds one of journal, baseline, hold and close; this one none")
	case parts > 1:
		return refuse(CodeBadValue, "", fmt.Sprintf("a note holds exactly one of journal, baseline, hold and close; this one %d", parts))
	}
	return nil
}

func (j *JournalNote) validate() error {
	return first(
		oneOf("journal.what", j.What, false, DidClean, DidInk, DidProfile, DidPress, DidMedia, DidService, DidNote),
		checkText("journal.channel", j.Channel),
		checkText("journal.lot", j.Lot),
	)
}

func (b *BaselineNote) validate() error {
	err := first(
		oneOf("baseline.do", b.Do, false, BaselineLearn, BaselineAccept, BaselineRetire),
		checkWords("baseline.reason", b.Reason),
	)
	switch {
	case err != nil:
		return err
	case b.Series != "" && !isSeries(b.Series):
		return refuse(CodeBadValue, "baseline.series", fmt.Sprintf("%q is not a series: 12 hex digits in lower case", clip(b.Series, 40)))
	case b.Do == BaselineRetire && b.Reason == "":
		return refuse(CodeMissing, "baseline.reason", "say why the baseline is retired")
	case b.Preset != nil && b.Do != BaselineLearn:
		return refuse(CodeBadValue, "baseline.preset", "a preset goes with learn alone")
	case b.Preset != nil:
		return b.Preset.validate()
	}
	return nil
}

func (h *HoldNote) validate(n *Note) error {
	err := first(n.checkKey("hold.key", h.Key), checkTime("hold.until", h.Until), needWords("hold.why", h.Why, "say why the alert is held"))
	switch {
	case err != nil:
		return err
	case !h.Until.After(n.At):
		return refuse(CodeOutOfRange, "hold.until", "it must be later than the note itself")
	case h.Until.Sub(n.At) > LongestHold:
		return refuse(CodeOutOfRange, "hold.until", "at most 31 days after the note itself; hold it again then, or close the alert")
	}
	return nil
}

func needWords(field, s, hint string) error {
	if s == "" {
		return refuse(CodeMissing, field, hint)
	}
	return checkWords(field, s)
}

// checkKey refuses the key of an alert that is not of the note's own printer: credentials bind the
// printer, and a note about one must not silence another.
func (n *Note) checkKey(field, key string) error {
	if key == "" {
		return refuse(CodeMissing, field, "give the alert's key, site/printer/advice/channel or series, as its record shows it")
	}
	if len(key) > 4*MaxText {
		return refuse(CodeOutOfRange, field, fmt.Sprintf("%d bytes, at most %d", len(key), 4*MaxText))
	}
	if err := checkRunes(field, key, ""); err != nil {
		return err
	}
	part := strings.SplitN(key, "/", 4)
	every := len(part) == 3 && part[2] == "*"
	if !every && (len(part) < 4 || part[2] == "") {
		return refuse(CodeBadValue, field, fmt.Sprintf("%q is neither site/printer/advice/channel or series nor site/printer/*", clip(key, 80)))
	}
	if part[0] != n.Site || part[1] != n.Printer {
		return refuse(CodeBadValue, field, fmt.Sprintf("the alert is of %s/%s, the note of %s/%s; send it for the alert's own printer", clip(part[0], 63), clip(part[1], 63), n.Site, n.Printer))
	}
	return nil
}

func isSeries(s string) bool { return isHex(s, 12) }
