package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/measure/settings"
	"swathkeeper/protocol"
	"swathkeeper/worker/search"
	"swathkeeper/worker/station"
)

func newSettingsNext() *cobra.Command {
	var f searchFlags
	var fill station.Fill
	var with []string
	var worth float64
	var asJSON bool
	c := &cobra.Command{
		Use:   "next FILE",
		Short: "Take a reading in; say what to set for the next print",
		Long: `Take a reading in; say what to set for the next print.

Without --with the print was made under the settings that were proposed. Where a slider
was set otherwise, say so: the true values are what is learned from. For the first print
all sliders are named.`,
		Example: `  swathkeeper settings next --printer heron first.txt --with brightness=0,contrast=10,cyan=-20
  swathkeeper settings next --printer heron second.txt
  swathkeeper settings next --printer heron third.txt --with contrast=8`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			values, err := parseValues(with)
			if err != nil {
				return err
			}
			w, err := worthOf(c, worth)
			if err != nil {
				return err
			}
			var s *search.State
			var rep *search.Report
			var open string
			err = f.change(c, func(was *search.State) error {
				s, open = was, was.Kept
				if w > 0 {
					s.Worth = w
				}
				r, err := readPrint(s, args[0], fill)
				if err != nil {
					return err
				}
				if err := s.Add(r, args[0], values, time.Now()); err != nil {
					return err
				}
				if rep, err = s.Report(); err != nil {
					return fmt.Errorf("%s: %w", args[0], err)
				}
				s.Propose(rep.Advice)
				return nil
			})
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, rep)
			}
			if open != "" {
				fmt.Fprintf(c.OutOrStdout(), "this search was kept as %s before; it goes on now\n", open)
			}
			return printAdvice(c.OutOrStdout(), s, rep, f.again())
		},
	}
	f.add(c)
	fl := c.Flags()
	fl.StringSliceVar(&with, "with", nil, "how sliders were set for this print, SLIDER=VALUE,...")
	fl.StringVar(&fill.Kind, "instrument", protocol.KindSpectrophotometer, instrumentFlag)
	fl.StringVar(&fill.Mode, "mode", "", modeFlag)
	fl.StringVar(&fill.Path, "path", "", pathFlag)
	addTableFlag(c, &fill)
	addWorthFlag(c, &worth)
	fl.BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// searchPreset stands for the preset of a print that has none yet.
const searchPreset = "search"

// readPrint reads the one reading in a file, filled in from the search.
func readPrint(s *search.State, name string, fill station.Fill) (*protocol.Reading, error) {
	fill.Site, fill.Printer, fill.Media, fill.Stage, fill.Preset = s.Site, s.Printer, s.Media, s.Stage, searchPreset
	fill.Chart = s.Chart.ID
	if s.Chart.Edition != "" {
		fill.Chart += "." + s.Chart.Edition
	}
	items, err := station.ReadItems(name, fill)
	if err != nil {
		return nil, err
	}
	if len(items) != 1 {
		return nil, fmt.Errorf("%s: %d readings where one is wanted", name, len(items))
	}
	r := items[0].Reading
	if r.Site != s.Site || r.Printer != s.Printer {
		return nil, fmt.Errorf("%s is a reading of %s/%s; this search is for %s/%s", name, r.Site, r.Printer, s.Site, s.Printer)
	}
	if r.Patches == nil {
		return nil, fmt.Errorf("%s: the reading has no patches", name)
	}
	return r, nil
}

// parseValues reads SLIDER=VALUE items.
func parseValues(items []string) (map[string]float64, error) {
	out := map[string]float64{}
	for _, item := range items {
		name, text, ok := strings.Cut(item, "=")
		v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		if !ok || err != nil || math.IsNaN(v) {
			return nil, usagef("--with %q: it is SLIDER=VALUE, as in brightness=5", item)
		}
		name = strings.TrimSpace(name)
		if _, twice := out[name]; twice {
			return nil, usagef("--with: %s is given twice", name)
		}
		out[name] = v
	}
	return out, nil
}

// printAdvice says what a print was like and what comes next; again names the search in a command.
func printAdvice(out io.Writer, s *search.State, r *search.Report, again string) error {
	a := r.Advice
	use := s.InUse()
	last := use[len(use)-1]
	fmt.Fprintf(out, "print %d: %.2f dE00 from the aim on average", last+1, a.Measured[last])
	if len(use) > 1 {
		fmt.Fprintf(out, " (nearest so far: print %d, %.2f)", a.Best+1, a.Measured[a.Best])
	}
	fmt.Fprintf(out, "\n  %s\n", r.Words[last])
	fmt.Fprintf(out, "aim: %s", onScreen(r.Aim))
	if r.BlackL > 0 {
		fmt.Fprintf(out, ", black at L* %.1f", r.BlackL)
	}
	if r.Out > 0 {
		fmt.Fprintf(out, "; %d of %d patches (%.0f %%) are beyond what this ink and fabric reach, and were pulled in by %.1f dE00 on average", r.Out, r.Patches, 100*float64(r.Out)/float64(r.Patches), r.PulledDE00)
	}
	fmt.Fprintln(out)
	for _, j := range a.Suspect {
		fmt.Fprintf(out, "print %d does not fit the others and counts for little (if you looked and it is good: `swathkeeper settings show %s --good %d`)\n", j+1, again, j+1)
	}
	for _, name := range a.Idle {
		fmt.Fprintf(out, "%s does hardly anything on this chart: less than %.1f dE00 over its whole range, as far as these prints tell\n", onScreen(name), settings.IdleDE)
	}
	for _, p := range a.Alike {
		fmt.Fprintf(out, "%s and %s do the same; one of them is enough\n", onScreen(p[0]), onScreen(p[1]))
	}
	switch a.Why {
	case settings.WhyDone:
		fmt.Fprintf(out, "nothing is left that these sliders can mend: print %d is as near as they come, %.2f dE00; what is left needs a profile\n", a.Best+1, a.Measured[a.Best])
		for _, name := range a.Weak {
			fmt.Fprintf(out, "%s may do hardly anything here, which these prints cannot tell for sure; one more print under print %d's settings but with %s would\n", onScreen(name), a.Best+1, aloneText(s, s.Slider(name), s.Prints[a.Best].Values))
		}
		fmt.Fprintf(out, "keep it: %s; then `swathkeeper settings keep NAME %s`\n", valuesText(s, s.Prints[a.Best].Values, nil), again)
	case settings.WhyRepeat:
		fmt.Fprintf(out, "next: the same once more, to tell a failed print from a driver that jumps (was the right paper pressed, fully, and read in order?):\n  %s\n", valuesText(s, a.Next, nil))
	default:
		fmt.Fprintf(out, "next: %s\n", valuesText(s, a.Next, s.Prints[last].Values))
		fmt.Fprintf(out, "  expected %.1f dE00, give or take %.1f; %.0f %% likely to be nearer than print %d\n", a.NextDE, a.NextSE, 100*a.Chance, a.Best+1)
		if len(a.Probed) > 0 {
			fmt.Fprintf(out, "  %s moved to learn which way it works\n", onScreen(strings.Join(a.Probed, ", ")))
		}
	}
	return nil
}

// aloneText is slider i moved alone from settings v, by half of its range to where there is more room.
func aloneText(s *search.State, i int, v []float64) string {
	sl := s.Sliders[i]
	to := v[i] + (sl.High-sl.Low)/2
	if to > sl.High {
		to = v[i] - (sl.High-sl.Low)/2
	}
	return onScreen(sl.Name) + " " + strconv.FormatFloat(sl.Nearest(to), 'f', -1, 64)
}

// valuesText lists slider values; those that differ from before say so.
func valuesText(s *search.State, v, before []float64) string {
	var out []string
	for i, sl := range s.Sliders {
		text := onScreen(sl.Name) + " " + strconv.FormatFloat(v[i], 'f', -1, 64)
		if before != nil && before[i] != v[i] {
			text += " (was " + strconv.FormatFloat(before[i], 'f', -1, 64) + ")"
		}
		out = append(out, text)
	}
	return strings.Join(out, ", ")
}

// printChanges lists what was changed of a print.
func printChanges(out io.Writer, s *search.State, p *search.Print) {
	for k, c := range p.Changes {
		text := map[string]string{search.SetAside: "set aside", search.TakenBack: "counts again"}[c.Do]
		if c.Do == search.Corrected {
			after := p.Values
			for _, later := range p.Changes[k+1:] {
				if later.Values != nil {
					after = later.Values
					break
				}
			}
			var was []string
			for i, sl := range s.Sliders {
				if c.Values[i] != after[i] {
					was = append(was, fmt.Sprintf("%s from %s to %s", onScreen(sl.Name), strconv.FormatFloat(c.Values[i], 'f', -1, 64), strconv.FormatFloat(after[i], 'f', -1, 64)))
				}
			}
			text = "corrected: " + strings.Join(was, ", ")
		}
		if c.Why != "" {
			text += " (" + onScreen(c.Why) + ")"
		}
		fmt.Fprintf(out, "    %s\n", text)
	}
}

func newSettingsShow() *cobra.Command {
	var f searchFlags
	var good int
	var asJSON bool
	c := &cobra.Command{
		Use:   "show",
		Short: "Show all prints of a search and what comes next",
		Example: `  swathkeeper settings show --printer heron
  swathkeeper settings show --printer heron --good 3`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			var s *search.State
			var rep *search.Report
			var err error
			if c.Flags().Changed("good") {
				err = f.change(c, func(was *search.State) error {
					if s = was; good < 1 || good > len(s.Prints) {
						return usagef("--good %d: there are %d prints", good, len(s.Prints))
					}
					if s.Prints[good-1].Aside {
						return usagef("--good %d: print %d is set aside; `swathkeeper settings aside %d --back` counts it again", good, good, good)
					}
					s.Prints[good-1].Good = true
					if rep, err = s.Report(); err == nil {
						s.Propose(rep.Advice)
					}
					return err
				})
			} else if s, _, err = f.load(); err == nil {
				rep, err = s.Report()
			}
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, map[string]any{"search": s, "report": rep})
			}
			out := c.OutOrStdout()
			fmt.Fprintf(out, "%s on %s, aim: %s\n", s.Printer, s.Media, onScreen(rep.Aim))
			for i, p := range s.Prints {
				mark := " "
				if i == rep.Advice.Best {
					mark = "*"
				}
				if slices.Contains(rep.Advice.Suspect, i) {
					mark = "?"
				}
				if p.Aside {
					mark = "-"
				}
				fmt.Fprintf(out, "%s print %d: %.2f dE00; %s\n    %s\n", mark, i+1, rep.Advice.Measured[i], valuesText(s, p.Values, nil), rep.Words[i])
				printChanges(out, s, &p)
			}
			if s.Kept != "" {
				fmt.Fprintf(out, "kept as %s\n", s.Kept)
				return nil
			}
			return printAdvice(out, s, rep, f.again())
		},
	}
	f.add(c)
	c.Flags().IntVar(&good, "good", 0, "print N was doubted, was looked at, and is good")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
