package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"swathkeeper/protocol"
	"swathkeeper/worker/detail"
)

// printVerdict shows one verdict for people.
func printVerdict(out io.Writer, v *protocol.Verdict) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	// Of a reading that no printer was named for, its name and condition are left out.
	facts := []string{v.At.Format(stampLayout)}
	for _, s := range []string{strings.Trim(v.Site+"/"+v.Printer, "/"), strings.Trim(v.Condition.Media+"/"+v.Condition.Preset, "/"), v.Condition.Stage, v.Outcome} {
		if s != "" {
			facts = append(facts, s)
		}
	}
	fmt.Fprintln(w, strings.Join(facts, "\t"))
	if err := w.Flush(); err != nil {
		return err
	}
	w = tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if v.Late {
		fmt.Fprintln(w, "  late\tolder than the newest reading, so nothing changes")
	}
	if c := v.Colour; c != nil {
		fmt.Fprintf(w, "  against the baseline\tmean %.2f, median %.2f, 95 of 100 patches below %.2f, largest %.2f dE00 (%s)\n", c.MeanDE00, c.MedianDE00, c.P95DE00, c.MaxDE00, c.WorstPatch)
		if c.WhiteDE00 > 0 {
			fmt.Fprintf(w, "  white\t%.2f dE00\n", c.WhiteDE00)
		}
		for _, ch := range c.Channels {
			fmt.Fprintf(w, "  %s\tstrength %+.1f %%", ch.Channel, ch.StrengthPercent)
			if t, ok := detail.ToneOf(&ch); ok {
				fmt.Fprintf(w, ", %s %+.1f points", detail.ToneWords(t), t.Value)
			}
			if ch.HardlyPrints {
				fmt.Fprint(w, ", hardly prints")
			}
			if ch.HueSE > 0 || ch.HueDeg != 0 {
				fmt.Fprintf(w, ", hue %+.1f degrees", ch.HueDeg)
			}
			fmt.Fprintln(w)
		}
		for _, h := range c.House {
			fmt.Fprintf(w, "  house colour %s\t%.2f dE00 (%.2f allowed)\n", h.Name, h.DE00, h.Tolerance)
		}
	}
	if b := v.Banding; b != nil {
		for _, ch := range b.Channels {
			for _, l := range ch.Lines {
				fmt.Fprintf(w, "  line %s\t%s at %.2f mm, %.2f dE00, %d times\n", ch.Channel, l.Kind, l.AtMM, l.ContrastDE00, l.Repeats)
			}
		}
	}
	for _, f := range v.Findings {
		name := strings.ReplaceAll(f.Advice, "_", " ")
		if f.Channel != "" {
			name += " " + f.Channel
		}
		fmt.Fprintf(w, "  %s: %s\t%s (%.0f %% sure)\n", f.Level, name, f.Why, 100*f.Likelihood)
		if f.SplittingCheck != "" {
			fmt.Fprintf(w, "  \tor %s; to tell: %s\n", strings.ReplaceAll(f.Rival, "_", " "), f.SplittingCheck)
		}
	}
	for _, text := range v.Warnings {
		fmt.Fprintf(w, "  note\t%s\n", text)
	}
	return w.Flush()
}
