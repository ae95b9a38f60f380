package main

import (
	"os"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"swathkeeper/worker/history"
)

// pageWidth is how wide a page is that goes into a file or a pipe.
const pageWidth = 110

// page is a screen for paragraphs, which are wrapped everywhere.
func page(c *cobra.Command, zone *time.Location) *history.Screen {
	s := screen(c, zone)
	if s.Width <= 0 {
		s.Width = pageWidth
	}
	return s
}

// screen finds out what the command's output can show. Colour and wrapping are for terminals; what
// goes into a file or a pipe has neither.
func screen(c *cobra.Command, zone *time.Location) *history.Screen {
	s := &history.Screen{Out: c.OutOrStdout(), Zone: zone}
	f, ok := s.Out.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return s
	}
	s.Colour = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	s.True = os.Getenv("COLORTERM") == "truecolor" || os.Getenv("COLORTERM") == "24bit"
	s.Width, _, _ = term.GetSize(int(f.Fd()))
	if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil && n > 0 {
		s.Width = n
	}
	return s
}
