package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

func init() { extra = append(extra, newMan) }

// newMan writes what `cmd/release` puts into archives and packages. Hidden: `swathkeeper help` says
// the same to people.
func newMan() *cobra.Command {
	return &cobra.Command{
		Use:     "man DIR",
		Short:   "Write the manual pages into a folder",
		Example: "  swathkeeper man man1 && man -l man1/swathkeeper-run.1",
		Hidden:  true,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := os.MkdirAll(args[0], 0o755); err != nil {
				return err
			}
			date, err := pageDate()
			if err != nil {
				return err
			}
			root := c.Root()
			root.DisableAutoGenTag = true // it holds the day on which the pages were made
			if err := doc.GenManTree(root, &doc.GenManHeader{
				Section: "1", Date: &date, Source: "swathkeeper " + versionText(), Manual: "swathkeeper",
			}, args[0]); err != nil {
				return fmt.Errorf("writing manual pages into %s: %w", filepath.Clean(args[0]), err)
			}
			return nil
		},
	}
}

// pageDate is the day that the pages carry: SOURCE_DATE_EPOCH (reproducible-builds.org) where it is
// set, so that two releases of one source are alike.
func pageDate() (time.Time, error) {
	text := os.Getenv("SOURCE_DATE_EPOCH")
	if text == "" {
		return time.Now().UTC(), nil
	}
	s, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return time.Time{}, fmt.Errorf("SOURCE_DATE_EPOCH %q is no number of seconds", text)
	}
	return time.Unix(s, 0).UTC(), nil
}
