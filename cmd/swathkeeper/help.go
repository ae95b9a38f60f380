package main

import (
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/term"
)

// What flags mean that several commands have: said once, so that it is said alike.
const (
	stageFlag      = "what was read: the transfer before the press, the pressed goods, or goods printed directly (transfer, pressed, direct)"
	pathFlag       = "how the chart was printed: device, without colour management (default), or managed, through the profile"
	instrumentFlag = "what read it: spectrophotometer, colorimeter, densitometer or scanner"
	modeFlag       = "measuring condition M0 to M3 (ISO 13655), where the file does not say"
	printFlag      = "number that is printed on the sheet"
	seriesFlag     = "series of a printer with several, see 'swathkeeper help words': the 12 hex digits that 'baseline list' shows"
	whoFlag        = "who did it (default: you)"
	recordFlag     = "print the worker's record as JSON"
	alertKey       = `KEY names the alert as 'alert list' prints it, site/printer/advice/ink, with - where no ink
is meant.`
)

// wordsHelp explains what this program means by its few words.
const wordsHelp = `What swathkeeper means by its words.

  chart      a printed sheet of colour patches, with strips of each ink along the feed
  layout     the file that says where on a chart what is; each change makes another edition
  reading    one print of a chart, measured once
  stage      what was measured: transfer (before the press), pressed, or direct
  series     the readings of one printer with one media, preset, stage and chart; only they
             are compared with each other
  channel    one ink of the printer, by its letter or name: C, M, Y, K, orange
  preset     the driver settings that a chart was printed under, by the name you give them
  baseline   the known-good state of a series, learned from readings that you say are good:
               full         of ten readings or more, on three days or more
               provisional  of fewer, with wider limits
               tentative    of fewer than five: only stop limits and lines, no statistical alarm
  verdict    what is said of a reading:
               steady  as on the good days, within what varies anyway
               note    a real change, but within your tolerance
               act     a real change beyond your tolerance
               stop    beyond twice your tolerance, or a line that shows: hold production
  tolerance  how much change matters to you; a setting
  dE00       difference of two colours by the CIEDE2000 formula (ISO/CIE 11664-6); as a rule of
             thumb an eye hardly sees less than 1 side by side
  strength   how much colour an ink gives; -5 % is as if 5 % of its tint were missing
  advice     what to look at first: clean_head, check_ink, check_press, check_media, check_feed,
             check_settings, refit_profile, remeasure
  alert      a cause that is open, from the reading that showed it until readings no longer do
  journal    what was done to a printer; the next readings say whether it helped
  worker     the program that judges; 'run' starts it
  station    whoever sends readings: a machine with an instrument or a scanner
  bus        what carries readings and records between them, and keeps them (NATS); the worker
             has its own unless --nats names another
  record     what the worker keeps of each reading and note, for good`

// groups order the commands as their user meets them.
var groups = []struct {
	id, title string
	commands  string
}{
	{"begin", "Begin:", "demo run chart settings baseline"},
	{"day", "Every day:", "read send watch scan journal alert printers"},
	{"back", "Look back:", "history show report"},
	{"files", "Files, without a worker:", "judge compare convert"},
	{"keep", "Keep it going:", "doctor chat station init export import version completion help"},
}

// The template of cobra, but for what stands under every command: the flags of the bus, which drown
// those of the command.
const (
	everyFlags = "{{if .HasAvailableInheritedFlags}}\n\nGlobal Flags:\n{{.InheritedFlags.FlagUsages | trimTrailingWhitespaces}}{{end}}"
	fewFlags   = "{{if .HasAvailableInheritedFlags}}\n\nEvery command also takes --data, --config, --zone and what reaches a worker elsewhere:\nsee 'swathkeeper help'.{{end}}"
	ownFlags   = "{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}"
	wideFlags  = "{{flagUsages .LocalFlags | trimTrailingWhitespaces}}"
)

func init() {
	cobra.AddTemplateFunc("flagUsages", func(f *pflag.FlagSet) string { return f.FlagUsagesWrapped(helpWidth()) })
}

// helpWidth is how wide help may be, in characters: as the terminal, but never so wide that lines
// are hard to read.
func helpWidth() int {
	const most, least = 100, 60
	w, _, err := term.GetSize(int(os.Stdout.Fd()))
	if err != nil {
		return most
	}
	return max(least, min(w, most))
}

// arrangeHelp groups the commands and sets how help looks.
func arrangeHelp(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	for _, g := range groups {
		root.AddGroup(&cobra.Group{ID: g.id, Title: g.title})
		for _, name := range strings.Fields(g.commands) {
			for _, c := range root.Commands() {
				if c.Name() == name {
					c.GroupID = g.id
				}
			}
		}
	}
	for _, c := range root.Commands() {
		switch c.Name() {
		case "completion":
			c.Short = "Let your shell complete commands with the Tab key"
		case "help":
			c.Short = "Say more about a command, or about words: 'help words'"
		}
	}
	root.AddCommand(&cobra.Command{Use: "words", Short: "What baseline, series, dE00 and the other words mean", Long: wordsHelp})
	root.SetUsageTemplate(strings.NewReplacer(everyFlags, fewFlags, ownFlags, wideFlags).Replace(root.UsageTemplate()))
}
