package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/history"
	"swathkeeper/worker/zones"
)

//go:embed page.html
var pageHTML string

//go:embed style.css
var styleCSS string

var pageTemplate = template.Must(template.New("page").Parse(pageHTML))

// view is the page as the template wants it.
type view struct {
	Site, Printer, Period, ZoneName, Made, Letters string
	Style                                          template.CSS
	Facts                                          []fact
	Open                                           []openView
	Units                                          string
	Timeline, Narrow                               template.HTML
	Events                                         []eventView
	Series                                         []seriesView
}

type fact struct{ Name, Value, Class string }

type openView struct {
	Level, Cause, Since, Why, Suspect string
	Steps, Cautions                   []string
}

type eventView struct{ When, Level, What, Why, Helped string }

type seriesView struct {
	Name, Of string
	Charts   []template.HTML
	Sheet    template.HTML
	House    []houseView
	Missing  []string
	SetNow   bool
}

type houseView struct {
	Name, DE    string
	Before, Now template.HTML
}

// WriteHTML writes the page.
func (p *Page) WriteHTML(w io.Writer) error {
	v := view{
		Site: p.Site, Printer: p.Printer, ZoneName: zoneName(p.To.In(p.Zone)), Made: p.when(p.Made),
		Period: p.From.In(p.Zone).Format("2 January 2006") + " to " + p.To.In(p.Zone).Format("2 January 2006"),
		Units:  detail.Units,
		Style:  template.CSS(":root{color-scheme:light dark;" + variables(false) + "}@media (prefers-color-scheme:dark){:root{" + variables(true) + "}}@media print{:root{" + variables(false) + "}}" + styleCSS),
	}
	v.Facts = p.facts()
	for _, a := range p.Now.Open {
		plan := alert.PlanOf(a)
		o := openView{Level: a.Level, Cause: plan.Cause, Since: p.when(a.Since), Why: a.Why, Steps: plan.Steps, Cautions: plan.Cautions}
		if a.Advice == protocol.AdviceSilent {
			o.Cause = "no readings from " + orDash(a.Channel)
		} else if a.LastGood != nil {
			o.Suspect = p.when(a.LastGood.At)
		}
		v.Open = append(v.Open, o)
	}
	v.Timeline, v.Narrow = p.timeline(wideTimeline), p.timeline(narrowTimeline)
	v.Letters = p.letters()
	for _, e := range p.Events {
		v.Events = append(v.Events, eventView{p.when(e.At), e.Level, e.What, e.Why, e.Helped})
	}
	for i := range p.Series {
		s := &p.Series[i]
		sv := seriesView{Name: s.Name, Of: p.when(s.Of), Missing: s.Missing, SetNow: s.SetNow, Sheet: sheet(s.Patches)}
		for k := range s.Tracks {
			sv.Charts = append(sv.Charts, p.control(&s.Tracks[k]))
		}
		for _, k := range s.Patches {
			if k.House != "" && k.Now != nil {
				sv.House = append(sv.House, houseView{Name: k.House + ", patch " + k.ID, DE: fmt.Sprintf("%.2f dE00", k.DE00), Before: swatchBlock(k.Before), Now: swatchBlock(*k.Now)})
			}
		}
		v.Series = append(v.Series, sv)
	}
	return pageTemplate.Execute(w, v)
}

func (p *Page) when(t time.Time) string { return zones.Stamp(t, p.Zone, "Mon 2 Jan 2006 15:04") }

func zoneName(t time.Time) string {
	name, _ := t.Zone()
	if loc := t.Location().String(); loc != "Local" && loc != name {
		return loc
	}
	return name
}

// facts are the few figures at the top.
func (p *Page) facts() []fact {
	st := p.Now.Standing
	out := []fact{{"now", history.StateWord(p.Now.State), stateClass(p.Now.State)}, {"readings in this time", fmt.Sprint(p.Readings), ""}}
	raised := 0
	for _, e := range p.Events {
		if e.Kind == "alert" && strings.HasPrefix(e.What, protocol.ChangeRaised) {
			raised++
		}
	}
	out = append(out, fact{"alerts raised", fmt.Sprint(raised), ""})
	if m := st.Trend(); len(m) > 0 {
		out = append(out, fact{"mean dE00 of the last reading", fmt.Sprintf("%.2f", m[len(m)-1]), ""})
	}
	for _, w := range []struct {
		name string
		at   time.Time
	}{{"last clean", st.Clean}, {"last ink change", st.Ink}, {"baseline of", st.Baseline}} {
		if !w.at.IsZero() {
			out = append(out, fact{w.name, w.at.In(p.Zone).Format("2 Jan 2006"), ""})
		}
	}
	return out
}

func stateClass(s string) string {
	switch s {
	case protocol.LevelStop, protocol.LevelAct:
		return s
	case protocol.Steady:
		return "good"
	}
	return ""
}

// letters explains the marks that stand on the time axis.
func (p *Page) letters() string {
	seen := map[string]bool{}
	for _, e := range p.Events {
		seen[e.Mark] = true
	}
	var out []string
	for _, what := range []string{protocol.DidClean, protocol.DidInk, protocol.DidProfile, protocol.DidPress, protocol.DidMedia, protocol.DidService, protocol.DidNote} {
		if seen[marksOf[what]] {
			out = append(out, marksOf[what]+": "+journalWords[what])
		}
	}
	if seen["B"] {
		out = append(out, "B: baseline")
	}
	return strings.Join(out, "; ")
}

// nice rounds up to 1, 2 or 5 times a power of ten.
func nice(v float64) float64 {
	if v <= 0 {
		return 1
	}
	e := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 1.5, 2, 3, 5, 7.5, 10} {
		if v <= m*e*1.0000001 {
			return m * e
		}
	}
	return 10 * e
}
