package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/search"
)

// printNumber reads the number of a print.
func printNumber(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, usagef("%q is no number of a print; they are numbered from 1, see `swathkeeper settings show`", text)
	}
	return n, nil
}

// checkWhy bounds a word for the record.
func checkWhy(why string) error {
	if len(why) > protocol.MaxText {
		return usagef("--why is %d bytes long; at most %d are kept", len(why), protocol.MaxText)
	}
	return nil
}

// changePrint changes print number text of a search by do, and says what that leads to; done is what
// is told first.
func changePrint(c *cobra.Command, f *searchFlags, text string, asJSON bool, do func(s *search.State, n int) error, done func(s *search.State, n int) string) error {
	n, err := printNumber(text)
	if err != nil {
		return err
	}
	var s *search.State
	var rep *search.Report
	var open string
	var before []float64
	err = f.change(c, func(was *search.State) error {
		s, open, before = was, was.Kept, was.Next
		if err := do(s, n); err != nil {
			return err
		}
		rep, err = s.Report()
		switch {
		case errors.Is(err, search.ErrNoPrint):
			s.Forget()
		case err != nil:
			return err
		default:
			s.Propose(rep.Advice)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if asJSON {
		return writeJSON(c, map[string]any{"search": s, "report": rep})
	}
	out := c.OutOrStdout()
	fmt.Fprintln(out, done(s, n))
	if open != "" {
		fmt.Fprintf(out, "this search was kept as %s before; it goes on now, and what the record holds stays as it was: keep it anew, with --replace, if that was wrong\n", open)
	}
	if rep == nil {
		_, err = fmt.Fprintf(out, "no print is left that counts: print chart %s under the settings as they are, read it, and give the reading to `swathkeeper settings next`\n", s.Chart.ID)
		return err
	}
	if err := printAdvice(out, s, rep, f.again()); err != nil {
		return err
	}
	return earlierProposal(out, s, before)
}

// earlierProposal reminds of what was proposed before, in case it was printed already.
func earlierProposal(out io.Writer, s *search.State, before []float64) error {
	if before == nil || sameValues(before, s.Next) {
		return nil
	}
	_, err := fmt.Fprintf(out, "  if you have printed what was proposed before, give its reading with --with %s\n", withText(s, before))
	return err
}

func sameValues(a, b []float64) bool {
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			return false
		}
	}
	return len(a) == len(b)
}

// withText is settings as --with takes them.
func withText(s *search.State, v []float64) string {
	var items []string
	for i, sl := range s.Sliders {
		items = append(items, sl.Name+"="+strconv.FormatFloat(v[i], 'f', -1, 64))
	}
	text := onScreen(strings.Join(items, ","))
	if strings.ContainsAny(text, " '()&;|<>$*?#!`\\") {
		text = `"` + text + `"`
	}
	return text
}

func newSettingsCorrect() *cobra.Command {
	var f searchFlags
	var with []string
	var why string
	var asJSON bool
	c := &cobra.Command{
		Use:   "correct N",
		Short: "Say under which settings print N was really made",
		Long: `Say under which settings print N was really made, where --with of 'next' was mistyped or a slider
stood otherwise than was proposed. Only the sliders that were different are named. What was
recorded before stays in the search's file, and all that follows is worked out anew.`,
		Example: `  swathkeeper settings correct 2 --printer heron --with contrast=8
  swathkeeper settings correct 1 --printer heron --with cyan=-20,magenta=5 --why "read off the wrong row"`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			values, err := parseValues(with)
			if err != nil {
				return err
			}
			if len(values) == 0 {
				return usagef("say how the sliders really stood, with --with SLIDER=VALUE,...")
			}
			if err := checkWhy(why); err != nil {
				return err
			}
			return changePrint(c, &f, args[0], asJSON, func(s *search.State, n int) error {
				return s.Correct(n, values, why, time.Now())
			}, func(s *search.State, n int) string {
				p := &s.Prints[n-1]
				return fmt.Sprintf("print %d was made under: %s", n, valuesText(s, p.Values, p.Changes[len(p.Changes)-1].Values))
			})
		},
	}
	f.add(c)
	c.Flags().StringSliceVar(&with, "with", nil, "how sliders really stood for this print, SLIDER=VALUE,...")
	c.Flags().StringVar(&why, "why", "", "a word about it, for the record")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func newSettingsAside() *cobra.Command {
	var f searchFlags
	var why string
	var back, asJSON bool
	c := &cobra.Command{
		Use:   "aside N",
		Short: "Set print N aside, so that it counts for nothing",
		Long: `Set print N aside, so that it counts for nothing: the wrong paper, a fold, another chart's file.
It keeps its number and stays in the search's file; --back counts it again.`,
		Example: `  swathkeeper settings aside 3 --printer heron --why "paper lay the wrong way up"
  swathkeeper settings aside 3 --printer heron --back`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := checkWhy(why); err != nil {
				return err
			}
			return changePrint(c, &f, args[0], asJSON, func(s *search.State, n int) error {
				return s.Set(n, !back, why, time.Now())
			}, func(_ *search.State, n int) string {
				return fmt.Sprintf("print %d %s", n, cond(back, "counts again", "is set aside"))
			})
		},
	}
	f.add(c)
	c.Flags().BoolVar(&back, "back", false, "take it back: it counts again")
	c.Flags().StringVar(&why, "why", "", "a word about it, for the record")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
