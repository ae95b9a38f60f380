package main

import (
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
)

func newJournal() *cobra.Command {
	c := &cobra.Command{
		Use:   "journal",
		Short: "Tell the worker what was done to a printer",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newJournalAdd())
	return c
}

func newJournalAdd() *cobra.Command {
	n := &protocol.Note{Schema: protocol.SchemaNote, Journal: &protocol.JournalNote{}}
	var asJSON bool
	c := &cobra.Command{
		Use:   "add clean|ink|profile|press|media|service|note",
		Short: "Enter what was done; the next readings tell whether it helped",
		Example: `  swathkeeper journal add clean --site quay --printer heron --channel C
  swathkeeper journal add ink --site quay --printer heron --channel C --lot 2231
  swathkeeper journal add note --site quay --printer heron --text 'window open all night'`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			n.Journal.What = args[0]
			return sendNote(c, n, asJSON)
		},
	}
	addNoteFlags(c, n)
	f := c.Flags()
	f.StringVar(&n.Journal.Channel, "channel", "", "channel of a clean or an ink, such as C")
	f.StringVar(&n.Journal.Lot, "lot", "", "lot of an ink or a medium")
	f.StringVar(&n.Text, "text", "", "anything else, at most 500 characters")
	f.BoolVar(&asJSON, "json", false, "print the worker's record as JSON")
	return c
}
