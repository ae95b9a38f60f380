package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/chat"
	"swathkeeper/worker/zones"
)

func init() { extra = append(extra, newChat) }

func newChat() *cobra.Command {
	c := &cobra.Command{
		Use:   "chat",
		Short: "See and try where alerts go",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newChatTest(), newChatList())
	return c
}

const noTarget = "no chat target is configured; give one with --chat, or [chat.NAME] in the configuration file"

func newChatTest() *cobra.Command {
	var flags chatFlags
	c := &cobra.Command{
		Use:   "test [NAME...]",
		Short: "Send a test message, once, and say what went wrong",
		Example: `  swathkeeper chat test --config swathkeeper.toml
  swathkeeper chat test phone --config swathkeeper.toml
  swathkeeper chat test --chat console`,
		RunE: func(c *cobra.Command, names []string) error {
			cfg, targets, err := flags.settings(c)
			if err != nil {
				return err
			}
			for _, n := range names {
				if !slices.ContainsFunc(targets, func(t chat.Target) bool { return t.Name == n }) {
					return usagef("there is no chat target %q; `swathkeeper chat list` shows them", n)
				}
			}
			if len(targets) == 0 {
				return usagef(noTarget)
			}
			zone, err := cfg.location()
			if err != nil {
				return err
			}
			bad := 0
			for _, t := range targets {
				if len(names) > 0 && !slices.Contains(names, t.Name) {
					continue
				}
				if err := chat.Test(c.Context(), t, chat.Options{Zone: zone, Console: c.OutOrStdout()}); err != nil {
					fmt.Fprintln(c.ErrOrStderr(), err)
					bad++
					continue
				}
				fmt.Fprintf(c.OutOrStdout(), "%s (%s): sent\n", t.Name, t.Service())
			}
			if bad > 0 {
				return fmt.Errorf("%d of the targets could not be reached", bad)
			}
			return nil
		},
	}
	flags.add(c)
	return c
}

// chatRow is a target as `chat list` shows it. The URL is a secret and left out.
type chatRow struct {
	Name     string         `json:"name"`
	Service  string         `json:"service"`
	Level    string         `json:"level"`
	Sites    []string       `json:"sites,omitempty"`
	Printers []string       `json:"printers,omitempty"`
	Quiet    string         `json:"quiet,omitempty"`
	Digest   string         `json:"digest,omitempty"`
	Behind   uint64         `json:"behind,omitempty"`   // records with changes that wait to be told
	GivenUp  []chat.Failure `json:"given_up,omitempty"` // in the last 30 days
	// Configured is false for a target of before, which still has a place or something given up.
	Configured bool `json:"configured"`
}

func newChatList() *cobra.Command {
	var flags chatFlags
	var asJSON bool
	c := &cobra.Command{
		Use:     "list",
		Short:   "List where alerts go, and what could not be delivered in the last 30 days",
		Example: "  swathkeeper chat list --config swathkeeper.toml",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, targets, err := flags.settings(c)
			if err != nil {
				return err
			}
			rows := make([]chatRow, 0, len(targets))
			for _, t := range targets {
				rows = append(rows, chatRow{
					Name: t.Name, Service: t.Service(), Level: cmp.Or(t.Level, "act"), Sites: t.Sites, Printers: t.Printers,
					Quiet: t.Quiet, Digest: t.Digest, Configured: true,
				})
			}
			zone, err := cfg.location()
			if err != nil {
				return err
			}
			if cl, err := look(c); err == nil {
				defer cl.close()
				if zone, err = cl.zone(); err != nil {
					return err
				}
				places, err := chat.Places(cl.ctx, cl.js)
				if err != nil {
					return cl.explain(err)
				}
				for _, p := range places {
					i := slices.IndexFunc(rows, func(r chatRow) bool { return r.Name == p.Target })
					if i < 0 {
						i = len(rows)
						rows = append(rows, chatRow{Name: p.Target})
					}
					rows[i].Behind, rows[i].GivenUp = p.Behind, p.GivenUp
				}
			} else {
				fmt.Fprintf(c.ErrOrStderr(), "swathkeeper: what could not be delivered is not known: %v\n", err)
			}
			if asJSON {
				return writeJSON(c, rows)
			}
			printTargets(c, rows, zone)
			return nil
		},
	}
	flags.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printTargets(c *cobra.Command, rows []chatRow, zone *time.Location) {
	w := c.OutOrStdout()
	if !slices.ContainsFunc(rows, func(r chatRow) bool { return r.Configured }) {
		fmt.Fprintln(w, noTarget)
	}
	for _, r := range rows {
		if r.Configured {
			fmt.Fprintf(w, "%s: %s, from %s on", r.Name, r.Service, r.Level)
		} else {
			fmt.Fprintf(w, "%s: not in this configuration", r.Name)
		}
		for _, p := range []struct {
			what string
			list []string
		}{{"site", r.Sites}, {"printer", r.Printers}} {
			if len(p.list) > 0 {
				fmt.Fprintf(w, ", %s %s", p.what, strings.Join(p.list, " "))
			}
		}
		if r.Quiet != "" {
			fmt.Fprintf(w, ", quiet %s", r.Quiet)
		}
		if r.Digest != "" {
			fmt.Fprintf(w, ", digest at %s", r.Digest)
		}
		fmt.Fprintln(w)
		if r.Behind > 0 {
			fmt.Fprintf(w, "  not told yet: %d\n", r.Behind)
		}
		for _, f := range r.GivenUp {
			fmt.Fprintf(w, "  given up %s after %s: %s (%s)\n", zones.Stamp(f.At, zone, stampLayout), cond(f.Tries == 1, "1 try", fmt.Sprintf("%d tries", f.Tries)), f.Title, f.Why)
		}
	}
}
