package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/doctor"
	"swathkeeper/worker/health"
	"swathkeeper/worker/retention"
)

func init() { extra = append(extra, newDoctor) }

func newDoctor() *cobra.Command {
	var chats chatFlags
	var asJSON bool
	c := &cobra.Command{
		Use:   "doctor",
		Short: "Look at everything and say what to do",
		Long: `Look at everything and say what to do: configuration, worker, bus, store, disk, clock,
chat, stations and baselines, each with a verdict (fine, look, fault) and a next step.
It changes nothing, and works whether the worker runs or not.

Exit status: 0 nothing is at fault, 1 something is.`,
		Example: `  swathkeeper doctor --config swathkeeper.toml
  swathkeeper doctor --json | jq -r '.findings[] | select(.verdict!="fine") | .next'`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			found := examine(c, chats)
			worst := doctor.Worst(found)
			if asJSON {
				if err := writeJSON(c, map[string]any{"worst": worst, "findings": found}); err != nil {
					return err
				}
			} else {
				printFindings(c, found)
			}
			if worst == doctor.Fault {
				return errors.New("something is at fault; see above")
			}
			return nil
		},
	}
	chats.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// examine looks at one thing after another; what cannot be looked at is itself a finding.
func examine(c *cobra.Command, chats chatFlags) []doctor.Finding {
	var out []doctor.Finding
	add := func(f ...doctor.Finding) { out = append(out, f...) }
	say := func(area, verdict, next, format string, args ...any) {
		add(doctor.Finding{Area: area, Verdict: verdict, Text: fmt.Sprintf(format, args...), Next: next})
	}
	cfg, err := loadConfig(c)
	if err != nil {
		say("configuration", doctor.Fault, "correct it; the handbook lists the settings", "%v", err)
		return out
	}
	before := len(out)
	add(cfg.openSecrets(c)...)
	chats.addTo(cfg)
	targets, err := cfg.chatTargets()
	if err != nil {
		say("configuration", doctor.Fault, "correct it; the handbook lists the settings", "%v", err)
	}
	told := err
	if _, err := cfg.workerOptions(c.OutOrStdout()); err != nil && (told == nil || err.Error() != told.Error()) {
		say("configuration", doctor.Fault, "correct it; the handbook lists the settings", "%v", err)
	}
	now := time.Now()
	if !cfg.outside() {
		add(doctor.Folder(cfg.Data, now)...)
	}
	if len(out) == before {
		say("configuration", doctor.Fine, "", "can be read, and no secret lies open")
	}
	cl, err := look(c)
	if err != nil {
		next := "start it: `swathkeeper run`, or `systemctl start swathkeeper`"
		switch {
		case cfg.outside():
			next = "see that the NATS servers run, and that address and credentials are right"
		case errors.Is(err, bus.ErrLocked):
			next = "let the worker listen (--listen 127.0.0.1:4222), or wait until the other command is done"
		}
		say("bus", doctor.Fault, next, "%v", err)
		if !cfg.outside() {
			add(doctor.Disk(cfg.Data)...)
		}
		add(doctor.Clock(c.Context(), nil, now)...)
		add(doctor.Chat(c.Context(), nil, doctor.Targets(targets, nil), now)...)
		return out
	}
	defer cl.close()
	if zone, err := cl.zone(); err == nil { // else the finding about the bus says why
		now = now.In(zone)
	}
	ctx, cancel := context.WithTimeout(cl.ctx, lookLimit)
	defer cancel()
	found, reports := examineWorker(ctx, cl, cfg, now.Location())
	add(found...)
	var without []string
	var beside []retention.Size
	if cl.embed != nil { // look leaves the scans out
		without = []string{protocol.StreamScans}
		if n, err := cl.embed.ScansOnDisk(); err != nil {
			say("store", doctor.Look, "see whether the data folder can be read", "%v", err)
		} else {
			beside = []retention.Size{{What: "scans", Stream: protocol.StreamScans, Bytes: n, Limit: bus.DefaultLimits().Scans}}
		}
	}
	add(doctor.Bus(ctx, cl.js, !cfg.outside(), without...)...)
	add(doctor.Store(ctx, cl.js, beside...)...)
	add(doctor.Damage(ctx, cl.js)...)
	if p, err := cfg.Keep.policy(); err == nil { // else loading the settings has said so
		say("store", doctor.Fine, "", "%s", keptFor(p))
	}
	if !cfg.outside() {
		add(doctor.Disk(cfg.Data)...)
	}
	add(doctor.Clock(ctx, cl.js, now)...)
	add(doctor.Chat(ctx, cl.js, doctor.Targets(targets, reports), now)...)
	add(doctor.Stations(ctx, cl.js, now)...)
	add(doctor.Baselines(ctx, cl.js, now)...)
	return out
}

// examineWorker asks the workers of the bus; where none runs it says so.
func examineWorker(ctx context.Context, cl *client, cfg *config, zone *time.Location) ([]doctor.Finding, []health.Report) {
	if cl.embed != nil {
		return append([]doctor.Finding{{
			Area: "worker", Verdict: doctor.Fault, Text: "no worker runs on " + cfg.Data,
			Next: "start it: `swathkeeper run`, or `systemctl start swathkeeper`",
		}}, doctor.Queue(ctx, cl.js)...), nil
	}
	ask, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	reports, err := doctor.Ask(ask, cl.nc)
	switch {
	case err != nil:
		return []doctor.Finding{{Area: "worker", Verdict: doctor.Fault, Text: err.Error(), Next: "see the worker's log"}}, nil
	case len(reports) == 0:
		return append([]doctor.Finding{{
			Area: "worker", Verdict: doctor.Fault, Text: "no worker on this bus answers",
			Next: "start one: `swathkeeper run --nats ...`; if one runs, restart it",
		}}, doctor.Queue(ctx, cl.js)...), nil
	}
	return doctor.Workers(reports, zone), reports
}

// openSecrets names the files with secrets that others may read.
func (c *config) openSecrets(cmd *cobra.Command) []doctor.Finding {
	out := doctor.Open(cond(c.outside(), "", c.Data))
	if file, _ := cmd.Flags().GetString("config"); file != "" && c.holdsSecret() {
		out = append(out, doctor.Secret(file)...)
	}
	for _, name := range slices.Sorted(maps.Keys(c.Chat)) {
		out = append(out, doctor.Secret(c.Chat[name].URLFile)...)
	}
	for _, f := range []string{c.NKey, c.Creds, c.ListenKey, c.AliveFile} {
		out = append(out, doctor.Secret(f)...)
	}
	return out
}

// holdsSecret says that the addresses of chat stand in the settings themselves.
func (c *config) holdsSecret() bool {
	if c.Alive != "" {
		return true
	}
	for _, t := range c.Chat {
		if t.URL != "" && !strings.HasPrefix(t.URL, "console") {
			return true
		}
	}
	return false
}

func printFindings(c *cobra.Command, found []doctor.Finding) {
	s := screen(c, nil) // a line stays whole where it may be searched
	indent := strings.Repeat(" ", 22)
	for _, f := range found {
		for i, line := range strings.Split(f.Text, "\n") {
			text := s.Paragraph(indent, line)
			if i == 0 {
				text = fmt.Sprintf("%-5s  %-13s  ", f.Verdict, f.Area) + text[len(indent):]
			}
			io.WriteString(s.Out, text)
		}
		if f.Next != "" {
			io.WriteString(s.Out, s.Paragraph(indent, "next: "+f.Next))
		}
	}
}
