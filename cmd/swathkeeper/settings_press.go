package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/press"
	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/limited"
	"swathkeeper/worker/station"
)

const pressCare = `Care: platens near 200 degrees burn and crush; gloves, guards left alone, let things cool.
Hot dye and fabric give off fumes: ventilate or extract. Stay within what the makers of
press, paper and goods allow, and your local rules; where they say less than a tile here,
leave that tile out and choose another range.`

const pressHelp = `Find the temperature and time of the heat press by a small experiment: three temperatures by
three times, nine tiles on one sheet.

'plan' draws the sheet and says which tile is pressed how, and in what turn. Cut the tiles
apart, press each by itself on a piece of the goods, lay them back in their places, read
them as one chart, and give the reading to 'read': it names the region with the most colour
that leaves the goods as they were and the greys alike, and says where heavy overprints lose
more than single inks, and which tile was pressed unevenly. You press; the worker drives nothing.

` + pressCare

func newSettingsPress() *cobra.Command {
	c := &cobra.Command{
		Use:   "press",
		Short: "Find the press's temperature and time by nine tiles on one sheet",
		Long:  pressHelp,
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newPressPlan(), newPressRead())
	return c
}

// pressPlan is the file that a plan is kept in.
type pressPlan struct {
	Schema  string          `json:"schema"`
	Printer string          `json:"printer"`
	Media   string          `json:"media"`
	Chart   *protocol.Chart `json:"chart"`
	Plan    *press.Plan     `json:"plan"`
}

const pressSchema = "swathkeeper.press-plan/1"

func newPressPlan() *cobra.Command {
	var printer, media, celsius, seconds, driven, channels, out string
	var mirrored, replace bool
	var seed uint64
	c := &cobra.Command{
		Use:   "plan",
		Short: "Draw the sheet, and say which tile is pressed how",
		Example: `  swathkeeper settings press plan --printer heron --media pennant-knit --celsius 190..210 --seconds 40..60 --mirrored
  swathkeeper settings press plan --printer heron --media pennant-knit --celsius 185..205 --seconds 30..60 --driven rgb`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			for _, x := range []struct{ flag, v string }{{"printer", printer}, {"media", media}} {
				if err := needToken(x.flag, x.v); err != nil {
					return err
				}
			}
			t, err := parseRange("celsius", celsius)
			if err != nil {
				return err
			}
			s, err := parseRange("seconds", seconds)
			if err != nil {
				return err
			}
			p, err := press.NewPlan(t, s, seed)
			if err != nil {
				return usagef("%w", err)
			}
			inks := fileNames(channels)
			if len(inks) == 0 {
				inks = []string{"C", "M", "Y", "K"}
				if driven == chart.DrivenRGB {
					inks = inks[:3]
				}
			}
			sheet, err := p.Sheet("press-"+printer, driven, inks, mirrored)
			if err != nil {
				return usagef("%w", err)
			}
			layout, err := station.FromLayout(sheet)
			if err != nil {
				return err
			}
			plan := pressPlan{Schema: pressSchema, Printer: printer, Media: media, Chart: layout, Plan: p}
			text, err := json.MarshalIndent(plan, "", " ")
			if err != nil {
				return err
			}
			text = append(text, '\n')
			file := filepath.Join(out, "press-"+printer+".json")
			if err := notOver(file, text, replace); err != nil {
				return err
			}
			base := filepath.Join(out, sheet.ID+"."+sheet.Edition)
			if err := (drawing{base + ".pdf", func(w io.Writer) error { return chart.WritePDF(w, sheet) }}).write(); err != nil {
				return err
			}
			if err := writeWhole(file, text); err != nil {
				return err
			}
			return printPlan(c.OutOrStdout(), p, base+".pdf", file)
		},
	}
	f := c.Flags()
	f.StringVar(&printer, "printer", "", "printer, such as heron")
	f.StringVar(&media, "media", "", "what is pressed onto, such as pennant-knit")
	f.StringVar(&celsius, "celsius", "", "temperatures that you allow, LOW..HIGH")
	f.StringVar(&seconds, "seconds", "", "times that you allow, LOW..HIGH")
	f.StringVar(&driven, "driven", chart.DrivenInk, "ink: tints per ink; rgb: RGB values to a driver")
	f.StringVar(&channels, "channels", "", "inks in the printer's order (default C,M,Y,K; C,M,Y for rgb)")
	f.BoolVar(&mirrored, "mirrored", false, "for a transfer: mirrored on the paper")
	f.Uint64Var(&seed, "seed", uint64(time.Now().UnixNano()), "another order of the tiles")
	f.StringVar(&out, "out", ".", "folder to write to")
	f.BoolVar(&replace, "replace", false, "give up the plan that is in the folder; its tiles cannot be judged any more")
	f.Lookup("seed").DefValue = "drawn"
	return c
}

// notOver refuses to write a plan over another one, whose tiles could not be judged then.
func notOver(file string, text []byte, replace bool) error {
	old, err := limited.Read(file, limited.Large)
	switch {
	case errors.Is(err, fs.ErrNotExist), err == nil && bytes.Equal(old, text):
		return nil
	case err != nil:
		return err
	}
	var was pressPlan
	if json.Unmarshal(old, &was) != nil || was.Schema != pressSchema || was.Plan == nil {
		return fmt.Errorf("%s is there and is no plan of `settings press plan`; give another folder with --out", file)
	}
	if replace {
		return nil
	}
	return fmt.Errorf("%s is there and holds another plan (%g to %g °C, %g to %g s, on %s); give another folder with --out, or --replace to give that plan up",
		file, was.Plan.Celsius.Low, was.Plan.Celsius.High, was.Plan.Seconds.Low, was.Plan.Seconds.High, onScreen(was.Media))
}

func parseRange(flag, text string) (press.Range, error) {
	low, high, ok := strings.Cut(text, "..")
	a, err1 := strconv.ParseFloat(strings.TrimSpace(low), 64)
	b, err2 := strconv.ParseFloat(strings.TrimSpace(high), 64)
	if !ok || err1 != nil || err2 != nil {
		return press.Range{}, usagef("--%s %q: give the range that you allow as LOW..HIGH", flag, text)
	}
	if a > b {
		return press.Range{}, usagef("--%s %q: the lower end stands first: %g..%g", flag, text, b, a)
	}
	return press.Range{Low: a, High: b}, nil
}

func printPlan(out io.Writer, p *press.Plan, sheet, file string) error {
	fmt.Fprintf(out, "sheet %s, plan %s\ntiles are numbered left to right, then down; press them in this order:\n", sheet, file)
	turns := slices.Clone(p.Tiles)
	slices.SortFunc(turns, func(a, b press.Tile) int { return a.Turn - b.Turn })
	for _, t := range turns {
		fmt.Fprintf(out, "  %d. tile %d at %g °C for %g s\n", t.Turn, t.Number, t.Celsius, t.Seconds)
	}
	_, err := fmt.Fprintf(out, "let the platen settle after each change of temperature; then read all nine in their places: swathkeeper settings press read FILE --plan %s\n"+
		"(where FILE is a table of colours, add --edition as it is printed at the head of the sheet: keep that strip)\n%s\n", file, pressCare)
	return err
}

func newPressRead() *cobra.Command {
	var name, edition string
	var fill station.Fill
	var asJSON bool
	c := &cobra.Command{
		Use:   "read FILE",
		Short: "Name the best region of the tiles that were read",
		Long: `Name the best region of the tiles that were read.

Tiles that were pressed by one plan are never judged by another. A reading says of which edition
its sheet is. A table of colours does not, unless the edition stands in its name or its header:
give it with --edition, as it is printed at the head of the sheet.

` + pressCare,
		Example: `  swathkeeper settings press read tiles.json --plan press-heron.json
  swathkeeper settings press read tiles.txt --plan press-heron.json --edition 4fa1c09e`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if name == "" {
				return usagef("give --plan, the file that `settings press plan` wrote")
			}
			data, err := limited.Read(name, limited.Large)
			if err != nil {
				return err
			}
			var plan pressPlan
			if err := json.Unmarshal(data, &plan); err != nil || plan.Schema != pressSchema || plan.Plan == nil || plan.Chart == nil {
				return fmt.Errorf("%s is no plan of `settings press plan`", name)
			}
			if err := plan.Chart.Validate(); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			v, err := readTiles(&plan, args[0], edition, fill)
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, v)
			}
			return printPress(c.OutOrStdout(), &plan, v)
		},
	}
	f := c.Flags()
	f.StringVar(&name, "plan", "", "the file that 'settings press plan' wrote")
	f.StringVar(&edition, "edition", "", "of the sheet, as printed at its head; for a table that does not say it")
	f.StringVar(&fill.Kind, "instrument", protocol.KindSpectrophotometer, instrumentFlag)
	f.StringVar(&fill.Mode, "mode", "", modeFlag)
	addTableFlag(c, &fill)
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// ofPlan refuses tiles of another sheet than the plan's. A reading was checked already; of a table the
// edition must stand in its name or its header, or be given.
func (p *pressPlan) ofPlan(item *station.Item, edition string) error {
	mine := strings.ToLower(p.Chart.Edition)
	if edition = strings.ToLower(strings.TrimSpace(edition)); edition != "" {
		if edition != mine {
			return fmt.Errorf("the sheet is of edition %s, the plan of %s: those tiles were pressed by another plan", onScreen(edition), mine)
		}
		return nil
	}
	f := item.File
	if f == nil {
		return nil
	}
	said := []string{filepath.Base(item.Name), f.Descriptor, f.Originator}
	for _, k := range f.Header {
		said = append(said, k.Value)
	}
	if strings.Contains(strings.ToLower(strings.Join(said, "\n")), mine) {
		return nil
	}
	return fmt.Errorf("%s does not say of which sheet its tiles are, and tiles pressed by another plan would be judged wrongly; give --edition, as it is printed at the head of the sheet", item.Name)
}

// readTiles reads the nine tiles as one chart and judges them.
func readTiles(plan *pressPlan, name, edition string, fill station.Fill) (*press.Verdict, error) {
	fill.Site, fill.Printer, fill.Media, fill.Preset, fill.Stage = "here", plan.Printer, plan.Media, searchPreset, protocol.StagePressed
	fill.Chart = protocol.ChartKey(plan.Chart.ID, plan.Chart.Edition)
	items, err := station.ReadItems(name, fill)
	if err != nil {
		return nil, err
	}
	if len(items) != 1 || items[0].Reading.Patches == nil {
		return nil, fmt.Errorf("%s: one reading with patches is wanted", name)
	}
	if err := plan.Chart.CheckReading(items[0].Reading); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := plan.ofPlan(&items[0], edition); err != nil {
		return nil, err
	}
	s, err := judge.Sample(plan.Chart, items[0].Reading)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	tiles := press.Side * press.Side
	each := len(s.Lab) / tiles
	if each*tiles != len(s.Lab) || each == 0 {
		return nil, fmt.Errorf("the plan's chart has %d patches, which are not nine tiles", len(s.Lab))
	}
	chart := judge.Chart(plan.Chart)
	tints := chart.Tints()
	lab := make([][]colour.Lab, tiles)
	for n := range lab {
		lab[n] = s.Lab[n*each : (n+1)*each]
		for k := range each {
			if s.Missing[n*each+k] {
				return nil, fmt.Errorf("%s: patch %s is missing; read all nine tiles", name, plan.Chart.Patches[n*each+k].ID)
			}
		}
	}
	return plan.Plan.Judge(lab, tints[:each])
}

// heavyEnough is the share of their most colour below which heavy overprints are worth a word.
const heavyEnough = 0.95

func printPress(out io.Writer, plan *pressPlan, v *press.Verdict) error {
	fmt.Fprintf(out, "%s on %s\n", plan.Printer, plan.Media)
	for _, o := range v.Outcomes {
		cast := "greys as at the best"
		if o.Toward != "" {
			cast = fmt.Sprintf("greys %.1f toward %s of the best's", o.Cast, o.Toward)
		}
		fmt.Fprintf(out, "  tile %d, %g °C for %g s: depth of colour %.1f (single inks %.0f %%, heavy overprints %.0f %% of their most), %s, goods off their white by %.2f dE00, evenness %.2f dE00\n",
			o.Number, o.Celsius, o.Seconds, o.Depth, 100*o.Single, 100*o.Heavy, cast, o.White, o.Uneven)
	}
	fmt.Fprintf(out, "best: %g °C for %g s; as good, within what nine tiles tell: %g to %g °C, %g to %g s\n",
		v.Best.Celsius, v.Best.Seconds, v.Celsius.Low, v.Celsius.High, v.Seconds.Low, v.Seconds.High)
	fmt.Fprintf(out, "  depth of colour %.1f to expect there, give or take %.1f; heavy overprints at %.0f %% of their most; goods off their white by %.2f dE00\n", v.Depth, v.DepthSE, 100*v.Heavy, v.White)
	for _, n := range v.Uneven {
		fmt.Fprintf(out, "tile %d is uneven: the same grey differs from corner to corner; look whether it lay flat and fully under the platen, and trust it least\n", n)
	}
	if v.Heavy < heavyEnough {
		fmt.Fprintln(out, "dark overprints lose more than single inks even at the best: less ink in the driver (its limit, or its density) may do more than the press")
	}
	if v.Scorched {
		fmt.Fprintln(out, "every setting of this range yellows the goods beyond the usual tolerance: try a cooler or shorter range")
	}
	fmt.Fprintf(out, "press the chart so for `swathkeeper settings next`, and keep it with the preset: `swathkeeper settings keep NAME --celsius %g --seconds %g`\n", v.Best.Celsius, v.Best.Seconds)
	if len(v.Edge) > 0 {
		fmt.Fprintf(out, "the best lies at the %s that you allowed; there may be better beyond, as far as the makers' manuals allow\n", strings.Join(v.Edge, " and "))
	}
	_, err := fmt.Fprintln(out, pressCare)
	return err
}
