package main

import (
	"errors"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/search"
	"swathkeeper/worker/station"
)

func init() { extra = append(extra, newSettings) }

const settingsHelp = `Find the driver settings under which a printer comes nearest to what it should show,
in a few prints.

Name the driver's sliders once with 'start'. Print the chart under the settings as they
are, press it, read it, and give the reading to 'next' with the settings it was printed
under: it says how the print differs from the aim, what to set for the next print, and
what to expect of it. Where a slider was mistyped, 'correct' the print; one that should not
count is set 'aside'. When it says that nothing is left that these sliders can mend, 'keep'
the preset: it goes into the record, and the worker begins to learn what is normal under it.

The search is kept in a file, settings-PRINTER.json in the current folder or as --search
says; only 'keep' needs a worker. You set the sliders, you print and press:
the worker drives nothing. Care at the press: platens burn and crush, hot dye gives off
fumes; ventilate, and follow the maker's manual and local rules.`

func newSettings() *cobra.Command {
	c := &cobra.Command{
		Use:   "settings",
		Short: "Find driver settings in a few prints, and keep them",
		Long:  settingsHelp,
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newSettingsStart(), newSettingsNext(), newSettingsShow(), newSettingsCorrect(), newSettingsAside(), newSettingsKeep(), newSettingsPress())
	return c
}

// searchFlags find the file that a search is kept in.
type searchFlags struct{ file, printer string }

func (f *searchFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.file, "search", "", "file that the search is kept in (default settings-PRINTER.json)")
	c.Flags().StringVar(&f.printer, "printer", "", "printer, such as heron")
}

func (f *searchFlags) name() (string, error) {
	if f.file != "" {
		return f.file, nil
	}
	if err := needToken("printer", f.printer); err != nil {
		return "", usagef("name the printer with --printer, or the search's file with --search")
	}
	return "settings-" + f.printer + ".json", nil
}

// again is how the next command names the same search.
func (f *searchFlags) again() string {
	if f.file != "" {
		return "--search " + onScreen(f.file)
	}
	return "--printer " + f.printer
}

func (f *searchFlags) load() (*search.State, string, error) {
	name, err := f.name()
	if err != nil {
		return nil, "", err
	}
	s, err := search.Load(name)
	if err == nil {
		err = f.fits(s, name)
	}
	return s, name, err
}

// fits refuses the search of another printer than the one that was named.
func (f *searchFlags) fits(s *search.State, name string) error {
	if f.printer != "" && f.printer != s.Printer {
		return usagef("%s is a search for %s, not for %s; leave --printer out, or name that printer's file", name, s.Printer, f.printer)
	}
	return nil
}

// change loads a search, and saves it when do is through without an error. Others wait meanwhile.
func (f *searchFlags) change(c *cobra.Command, do func(s *search.State) error) error {
	name, err := f.name()
	if err != nil {
		return err
	}
	if _, err := search.Load(name); err != nil { // and no lock is left beside what is no search
		return err
	}
	release, err := search.Lock(c.Context(), name)
	if err != nil {
		return err
	}
	defer release()
	s, err := search.Load(name)
	if err != nil {
		return err
	}
	if err := f.fits(s, name); err != nil {
		return err
	}
	if err := do(s); err != nil {
		return err
	}
	return s.Save(name)
}

func addWorthFlag(c *cobra.Command, worth *float64) {
	c.Flags().Float64Var(worth, "worth", 0, "gain in mean dE00 for which one more print is worth making\n(default: a share of what is left, 0.06 to 0.12)")
}

// worthOf checks --worth; 0 where it was not given.
func worthOf(c *cobra.Command, worth float64) (float64, error) {
	if c.Flags().Changed("worth") && !(worth > 0 && worth <= 20) {
		return 0, usagef("--worth %g: give a mean dE00 above 0 and up to 20; the larger it is, the sooner a search ends", worth)
	}
	return worth, nil
}

func notThere(name string) bool {
	_, err := os.Stat(name)
	return errors.Is(err, fs.ErrNotExist)
}

// readAim reads what --aim names; empty is the default.
func readAim(chart *protocol.Chart, name string, fill station.Fill) (search.Aim, error) {
	if name == "" || name == search.AimScreen {
		return search.ScreenAim(chart)
	}
	m, err := oneMeasurement(name, fill)
	if err != nil {
		return search.Aim{}, err
	}
	return search.FileAim(chart, m)
}
