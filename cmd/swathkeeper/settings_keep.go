package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"swathkeeper/measure/press"
	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/search"
	"swathkeeper/worker/zones"
)

// checkPress refuses what no heat press is set to.
func checkPress(c *cobra.Command, p protocol.Press) error {
	for _, x := range []struct {
		flag     string
		v        float64
		low, top float64
	}{{"celsius", p.Celsius, press.MinCelsius, press.MaxCelsius}, {"seconds", p.Seconds, press.MinSeconds, press.MaxSeconds}} {
		if c.Flags().Changed(x.flag) && !(x.v >= x.low && x.v <= x.top) {
			return usagef("--%s %g: transfers are pressed at %g to %g", x.flag, x.v, x.low, x.top)
		}
	}
	return nil
}

func newSettingsKeep() *cobra.Command {
	var f searchFlags
	var which int
	var pressed protocol.Press
	n := &protocol.Note{Schema: protocol.SchemaNote, Baseline: &protocol.BaselineNote{Do: protocol.BaselineLearn}}
	var asJSON, replace bool
	c := &cobra.Command{
		Use:   "keep NAME",
		Short: "Keep the nearest print's settings as a preset, and begin to learn its baseline",
		Long: `Keep the nearest print's settings as a preset, and begin to learn its baseline.

Name, slider values, media and press go into the printer's record. From then on readings
of this preset are taken as known-good, until 'baseline accept' freezes them. The worker
has to know the chart for that ('chart add'). A preset that is kept already, or judged by
a baseline in force, stays as it is unless --replace says otherwise.`,
		Example: `  swathkeeper settings keep deep --printer heron --celsius 200 --seconds 50
  swathkeeper settings keep deep --printer heron --take 3
  swathkeeper settings keep deep --printer heron --replace`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := needToken("", args[0]); err != nil {
				return usagef("a preset's name is 1 to %d of a-z, 0-9 and -, and does not begin with -; %q is not", protocol.MaxToken, args[0])
			}
			if err := checkPress(c, pressed); err != nil {
				return err
			}
			return f.change(c, func(s *search.State) error {
				rep, err := s.Report()
				if err != nil {
					return err
				}
				at := rep.Advice.Best
				if c.Flags().Changed("take") {
					if which < 1 || which > len(s.Prints) {
						return usagef("--take %d: there are %d prints", which, len(s.Prints))
					}
					at = which - 1
				}
				if s.Prints[at].Aside {
					return usagef("--take %d: print %d is set aside; `swathkeeper settings aside %d --back` counts it again", which, which, which)
				}
				n.Site, n.Printer = s.Site, s.Printer
				n.Baseline.Preset, n.Baseline.Series = s.Preset(args[0], at, rep)
				n.Baseline.Preset.Press = pressFrom(c, n.Baseline.Preset.Press, pressed)
				say := c.OutOrStdout()
				if asJSON {
					say = c.ErrOrStderr()
				}
				if slices.Contains(rep.Advice.Suspect, at) {
					fmt.Fprintf(say, "note: print %d is doubted: it does not fit the others\n", at+1)
				}
				if s.Kept != "" {
					fmt.Fprintf(say, "note: it was kept as %s before\n", s.Kept)
				}
				if err := mayKeep(c, s, n.Baseline, replace, say); err != nil {
					return err
				}
				if err := sendNote(c, n, asJSON); err != nil {
					return err
				}
				s.Kept = args[0]
				return nil
			})
		},
	}
	f.add(c)
	fl := c.Flags()
	fl.IntVar(&which, "take", 0, "take print N in place of the nearest")
	fl.BoolVar(&replace, "replace", false, "put it in the place of a preset of this name, and learn anew where a baseline is in force")
	fl.Float64Var(&pressed.Celsius, "celsius", 0, "what the press was set to (default: what the reading says)")
	fl.Float64Var(&pressed.Seconds, "seconds", 0, "how long it was pressed (default: what the reading says)")
	fl.StringVar(&pressed.Pressure, "pressure", "", "with what pressure, in your own words")
	fl.StringVar(&n.Who, "who", "", whoFlag)
	fl.BoolVar(&asJSON, "json", false, recordFlag)
	return c
}

// pressFrom is the press of the reading, with what the flags say in its place.
func pressFrom(c *cobra.Command, read *protocol.Press, flags protocol.Press) *protocol.Press {
	var p protocol.Press
	if read != nil {
		p = *read
	}
	for flag, set := range map[string]func(){
		"celsius":  func() { p.Celsius = flags.Celsius },
		"seconds":  func() { p.Seconds = flags.Seconds },
		"pressure": func() { p.Pressure = flags.Pressure },
	} {
		if c.Flags().Changed(flag) {
			set()
		}
	}
	if p == (protocol.Press{}) {
		return nil
	}
	return &p
}

// mayKeep refuses to put a preset in the place of another, or a series with a baseline in force to
// learning, unless it is asked to replace; then it says what is replaced. It also says when the
// worker does not know the chart yet.
func mayKeep(c *cobra.Command, s *search.State, b *protocol.BaselineNote, replace bool, say io.Writer) error {
	cl, err := connect(c)
	if err != nil {
		return err
	}
	defer cl.close()
	taken, err := whatIsThere(c, cl, s, b)
	switch {
	case err != nil && !replace:
		return fmt.Errorf("whether preset %s is kept already cannot be told: %w", b.Preset.Name, cl.explain(err))
	case err != nil:
		fmt.Fprintf(say, "note: whether a preset %s was kept before cannot be told\n", b.Preset.Name)
	case taken.any() && !replace:
		return fmt.Errorf("%s; take another name, or put this one in its place with --replace", taken.refusal(b.Preset.Name))
	default:
		taken.tell(say, b.Preset.Name)
	}
	stores, err := bus.OpenStores(c.Context(), cl.js)
	if err != nil {
		return cl.explain(err)
	}
	defer stores.Close()
	known, err := stores.Chart(c.Context(), s.Chart.ID, s.Chart.Edition)
	if err != nil {
		return err
	}
	if known == nil {
		name := "chart " + s.Chart.ID
		if s.Chart.Edition != "" {
			name += ", edition " + s.Chart.Edition + ","
		}
		fmt.Fprintf(say, "note: the worker does not know %s yet, and refuses its readings until it does: `swathkeeper chart add LAYOUT`\n", name)
	}
	return nil
}

// inPlace is what stands where a preset is to be kept: each text is empty where nothing does.
type inPlace struct{ preset, baseline string }

func (p inPlace) any() bool { return p.preset+p.baseline != "" }

func (p inPlace) refusal(name string) string {
	var parts []string
	if p.preset != "" {
		parts = append(parts, "preset "+name+" is kept already, since "+p.preset)
	}
	if p.baseline != "" {
		parts = append(parts, "a baseline is in force for preset "+name+p.baseline)
	}
	return strings.Join(parts, "; ")
}

func (p inPlace) tell(out io.Writer, name string) {
	if p.preset != "" {
		fmt.Fprintf(out, "note: in place of preset %s of %s\n", name, p.preset)
	}
	if p.baseline != "" {
		fmt.Fprintf(out, "note: a baseline is in force for preset %s%s\n", name, p.baseline)
	}
}

// whatIsThere looks for a preset of the name that another search was kept as, and for a baseline in
// force of its series.
func whatIsThere(c *cobra.Command, cl *client, s *search.State, b *protocol.BaselineNote) (inPlace, error) {
	var p inPlace
	zone, err := cl.zone()
	if err != nil {
		return p, err
	}
	err = history.Read(cl.ctx, cl.js, history.Query{Site: s.Site, Printer: s.Printer, Kind: protocol.KindBaseline}, func(e history.Entry) error {
		n := e.Record.Note
		if n == nil || n.Baseline == nil || n.Baseline.Preset == nil || n.Baseline.Preset.Name != b.Preset.Name {
			return nil
		}
		p.preset = ""
		if text := onScreen(n.Baseline.Preset.Text()); s.Kept != b.Preset.Name {
			p.preset = zones.Stamp(e.Record.At, zone, stampLayout) + ": " + text
		}
		return nil
	})
	if err != nil {
		return p, err
	}
	rows, err := listBaselines(c, cl, s.Site, s.Printer)
	if err != nil {
		return p, err
	}
	for _, r := range rows {
		if r.State == "in force" && r.Series == b.Series {
			p.baseline = fmt.Sprintf(", of %s, since %s; its readings would no longer be judged until `baseline accept`",
				cond(r.Count == 1, "1 reading", fmt.Sprintf("%d readings", r.Count)), zones.Stamp(r.At, zone, stampLayout))
		}
	}
	return p, nil
}
