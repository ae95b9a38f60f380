package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"swathkeeper/measure/settings"
	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/limited"
	"swathkeeper/worker/search"
	"swathkeeper/worker/station"
)

func newSettingsStart() *cobra.Command {
	var f startFlags
	c := &cobra.Command{
		Use:   "start",
		Short: "Name the driver's sliders and what the chart should look like",
		Long: `Name the driver's sliders and what the chart should look like.

A slider is NAME=KIND,LOW..HIGH/STEP in the driver's own numbers; the step may be left out,
and the kind where the name is one:
` + strings.Join(settings.Kinds(), ", ") + `.
A slider of one ink is of kind ink:CHANNEL. The kind only says where the search begins: a
slider that does something else is found out. Take 'other' where you do not know.

The aim is 'screen' (for charts driven by RGB, the default: what the chart's values look
like on a screen, mapped to this fabric's white and deepest black by media-relative
colorimetry with black point compensation, ISO 18619), or a file: a characterisation table,
or an earlier reading, "like the batch of March".`,
		Example: `  swathkeeper settings start --site quay --printer heron --media pennant-knit --stage pressed \
      --chart pennant-rgb.json --slider brightness=-50..50/1 --slider contrast=-50..50/1 \
      --slider cyan=ink:C,-50..50/1 --slider magenta=ink:M,-50..50/1 --slider yellow=ink:Y,-50..50/1
  swathkeeper settings start --site quay --printer plover --media pennant-knit --stage pressed \
      --chart pennant-cmyk.json --slider black=ink:K,70..130/1 --aim march.json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return f.start(c) },
	}
	f.add(c)
	fl := c.Flags()
	fl.StringVar(&f.site, "site", "", "site, such as quay")
	fl.StringVar(&f.media, "media", "", "what is printed on, such as pennant-knit")
	fl.StringVar(&f.stage, "stage", "", stageFlag)
	fl.StringVar(&f.chart, "chart", "", "layout file of the chart")
	fl.StringVar(&f.wanted, "aim", "", "screen, or a file of wanted colours")
	fl.StringVar(&f.fill.Mode, "mode", "", "take the aim's measurements of this condition, M0 to M3, where its file has several")
	addTableFlag(c, &f.fill)
	addWorthFlag(c, &f.worth)
	fl.StringVar(&f.baseline, "baseline", "", "baseline of this printer under any preset, as 'baseline show --json' wrote it:\nhow much its prints differ is taken from there (default: inks by 1 %, a patch by 0.5 dE00)")
	fl.StringArrayVar(&f.sliders, "slider", nil, "a slider of the driver, NAME=KIND,LOW..HIGH/STEP; once for each")
	return c
}

// startFlags are what a search starts with.
type startFlags struct {
	searchFlags
	fill                                        station.Fill
	site, media, stage, chart, wanted, baseline string
	sliders                                     []string
	worth                                       float64
}

// start begins a search and keeps it in its file.
func (f *startFlags) start(c *cobra.Command) error {
	if err := f.check(); err != nil {
		return err
	}
	s, err := f.state(c)
	if err != nil {
		return err
	}
	name, err := f.name()
	if err != nil {
		return err
	}
	if err := noSearch(name); err != nil { // and no lock is left beside it
		return err
	}
	release, err := search.Lock(c.Context(), name)
	if err != nil {
		return err
	}
	defer release()
	moved, kept, err := room(name)
	if err != nil {
		return err
	}
	if err := s.Save(name); err != nil {
		return err
	}
	out := c.OutOrStdout()
	printStart(out, s, name)
	if moved != "" {
		fmt.Fprintf(out, "note: the search that was kept as %s is in %s now\n", kept, moved)
	}
	printStartNotes(out, s)
	_, err = fmt.Fprintf(out, "Now print chart %s under the settings as they are, note every slider, press and read it, and give the reading to\n`swathkeeper settings next FILE %s --with SLIDER=VALUE,...`.\nCare: the platen is hot and crushes, hot dye gives off fumes; follow the maker's manual and local rules.\n", s.Chart.ID, f.again())
	return err
}

// check refuses flags that start no search, before a file is read.
func (f *startFlags) check() error {
	for _, x := range []struct{ flag, v string }{{"site", f.site}, {"printer", f.printer}, {"media", f.media}} {
		if err := needToken(x.flag, x.v); err != nil {
			return err
		}
	}
	switch f.stage {
	case protocol.StageTransfer, protocol.StagePressed, protocol.StageDirect:
	default:
		return usagef("--stage %q: give transfer, pressed or direct", f.stage)
	}
	if f.chart == "" {
		return usagef("give --chart, the layout file of the chart that is printed")
	}
	if len(f.sliders) == 0 {
		return usagef("name the driver's sliders with --slider; see `swathkeeper settings start --help`")
	}
	return nil
}

// state reads what the flags name into a search that has no prints yet.
func (f *startFlags) state(c *cobra.Command) (*search.State, error) {
	s := &search.State{Schema: search.Schema, Started: time.Now(), Site: f.site, Printer: f.printer, Media: f.media, Stage: f.stage}
	for _, text := range f.sliders {
		sl, err := parseSlider(text)
		if err != nil {
			return nil, err
		}
		if s.Slider(sl.Name) >= 0 {
			return nil, usagef("--slider %s: there are two sliders of that name", sl.Name)
		}
		s.Sliders = append(s.Sliders, sl)
	}
	if len(s.Sliders) > settings.MaxSliders {
		return nil, usagef("%d sliders; at most %d can be searched at once: leave out those that you do not mean to touch", len(s.Sliders), settings.MaxSliders)
	}
	var err error
	if s.Worth, err = worthOf(c, f.worth); err != nil {
		return nil, err
	}
	if f.baseline != "" {
		if s.Noise, err = readNoise(f.baseline); err != nil {
			return nil, err
		}
	}
	if s.Chart, err = station.ReadLayout(f.chart, ""); err != nil {
		return nil, err
	}
	s.Aim, err = readAim(s.Chart, f.wanted, f.fill)
	return s, err
}

func printStart(out io.Writer, s *search.State, name string) {
	var names []string
	for _, sl := range s.Sliders {
		names = append(names, sl.Name)
	}
	fmt.Fprintf(out, "search for %s on %s; sliders: %s; aim: %s; kept in %s\n", s.Printer, s.Media, onScreen(strings.Join(names, ", ")), onScreen(s.Aim.Text()), name)
}

// printStartNotes says what is doubtful about a search, and what noise it counts with.
func printStartNotes(out io.Writer, s *search.State) {
	for _, sl := range s.Sliders {
		if sl.Channel != "" && !slices.ContainsFunc(s.Chart.Channels, func(ch string) bool { return strings.EqualFold(ch, sl.Channel) }) {
			fmt.Fprintf(out, "note: chart %s has no channel %s (it has %s); what %s does is found out from the prints\n",
				s.Chart.ID, onScreen(sl.Channel), onScreen(strings.Join(s.Chart.Channels, ", ")), onScreen(sl.Name))
		}
	}
	if s.Aim.Note != "" {
		fmt.Fprintf(out, "note: %s\n", onScreen(s.Aim.Note))
	}
	for _, note := range s.Aim.Notes(s.Media, s.Stage) {
		fmt.Fprintf(out, "note: %s\n", onScreen(note))
	}
	if s.Noise != nil {
		fmt.Fprintf(out, "noise, from the baseline: inks differ by %.1f %% from print to print, a patch by %.2f dE00\n", s.Noise.PrintPercent, s.Noise.PatchDE00)
	}
}

// room makes sure that name can be written: a search that goes on stays, one that is kept is moved
// aside, and moved tells whereto.
func room(name string) (moved, kept string, err error) {
	old, err := search.Load(name)
	switch {
	case notThere(name):
		return "", "", nil
	case err != nil:
		return "", "", noSearch(name)
	case len(old.Prints) == 0:
		return "", "", nil
	case old.Kept == "":
		return "", "", fmt.Errorf("%s holds a search of %d prints that is not kept yet; go on with it, or give another file with --search", name, len(old.Prints))
	}
	moved = strings.TrimSuffix(name, ".json") + "-" + old.Kept + ".json"
	if !notThere(moved) {
		return "", "", fmt.Errorf("%s holds the search that was kept as %s, and %s is there already; give another file with --search", name, old.Kept, moved)
	}
	return moved, old.Kept, os.Rename(name, moved)
}

// noSearch refuses a file that is there and holds no search.
func noSearch(name string) error {
	if _, err := search.Load(name); err != nil && !notThere(name) {
		return fmt.Errorf("%s is there and is no search; give another file with --search", name)
	}
	return nil
}

// readNoise takes the noise of prints from a baseline's file.
func readNoise(name string) (*search.Noise, error) {
	data, err := limited.Read(name, protocol.MaxBaseline)
	if err != nil {
		return nil, fmt.Errorf("--baseline: %w", err)
	}
	b, err := judge.DecodeBaseline(data)
	if err != nil {
		return nil, fmt.Errorf("%s is no baseline of `swathkeeper baseline show --json` (of one series; name it with --series): %w", name, err)
	}
	n, err := search.NoiseOf(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return n, nil
}

// parseSlider reads NAME=KIND,LOW..HIGH/STEP.
func parseSlider(text string) (settings.Slider, error) {
	bad := func(why string) (settings.Slider, error) {
		return settings.Slider{}, usagef("--slider %q: %s; it is NAME=KIND,LOW..HIGH/STEP, as in brightness=-50..50/1 or cyan=ink:C,70..130/1", text, why)
	}
	name, rest, ok := strings.Cut(text, "=")
	if !ok || name == "" {
		return bad("it has no name")
	}
	if name = strings.TrimSpace(name); name == "" {
		return bad("it has no name")
	}
	if strings.Contains(name, ",") {
		return bad("a name with a comma could not be told apart in --with")
	}
	if strings.ContainsFunc(name, func(r rune) bool { return r == '"' || !unicode.IsPrint(r) }) {
		return bad("a name with a quotation mark, or with what cannot be printed, could not be given in --with")
	}
	if len(name) > protocol.MaxText {
		return bad("its name is too long")
	}
	kind, span, ok := strings.Cut(rest, ",")
	if !ok {
		kind, span = name, rest
	}
	kind, channel, _ := strings.Cut(kind, ":")
	low, high, ok := strings.Cut(span, "..")
	if !ok {
		return bad("it has no range")
	}
	high, step, stepped := strings.Cut(high, "/")
	s := settings.Slider{Name: name, Kind: kind, Channel: channel}
	for _, x := range []struct {
		text string
		into *float64
	}{{low, &s.Low}, {high, &s.High}, {step, &s.Step}} {
		if x.into == &s.Step && !stepped {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(x.text), 64)
		if err != nil {
			return bad(fmt.Sprintf("%q is no number", x.text))
		}
		*x.into = v
	}
	if stepped && s.Step <= 0 {
		return bad("a step must be above 0")
	}
	if err := s.Check(); err != nil {
		return settings.Slider{}, usagef("--slider %q: %w", text, err)
	}
	if s.Low < -protocol.MaxSlider || s.High > protocol.MaxSlider {
		return bad(fmt.Sprintf("no slider runs beyond %g", protocol.MaxSlider))
	}
	if s.High-s.Low < 1e-6*max(1, math.Abs(s.Low), math.Abs(s.High)) {
		return bad("its ends are too near each other to set anything between them")
	}
	return s, nil
}
