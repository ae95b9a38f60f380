package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"

	"swathkeeper/worker/bus"
)

func init() { extra = append(extra, newInit) }

func newInit() *cobra.Command {
	f := initFlags{limits: bus.DefaultLimits()}
	c := &cobra.Command{
		Use:   "init",
		Short: "Set up a bus on other machines, once, for several workers",
		Long: `Set up a bus on other machines (NATS servers), once: the inbox, the records, the stores of
charts, baselines and pictures, and the place in the inbox from which it is judged.

A worker with a bus of its own needs none of this. On a bus that several workers share,
they only use what init has made, and refuse what would lose readings. init leaves alone
what is there already and refuses the same; only --replicas and the limits, where they are
given, make larger what is smaller. It needs an administrator's credentials.

With --partitions several workers judge at a time, each some printers; the order of each
printer's readings is kept. On one server the number may be changed at any time: what waits
is judged first, and workers that run end and must be started again, as systemd or Kubernetes
do. On several servers it is chosen before the first reading comes.`,
		Example: `  swathkeeper init --nats nats://bus-1:4222,nats://bus-2:4222,nats://bus-3:4222 --nkey admin.nk
  swathkeeper init --nats nats://bus-1:4222 --replicas 1
  swathkeeper init --nats nats://bus-1:4222 --nkey admin.nk --partitions 8`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return f.init(c) },
	}
	fl := c.Flags()
	fl.IntVar(&f.limits.Replicas, "replicas", 3, "servers that keep each stream")
	fl.IntVar(&f.partitions, "partitions", 0, fmt.Sprintf("into how many parts the inbox is divided, so that as many workers judge at a time, 1 to %d (default: as it is; a new one is whole)", bus.MaxPartitions))
	fl.Int64Var(&f.inbox, "inbox-mib", f.limits.Inbox>>20, "most that the inbox may hold, MiB")
	fl.Int64Var(&f.record, "record-mib", f.limits.Record>>20, "most that the records may hold, MiB")
	fl.Int64Var(&f.baselines, "baselines-mib", f.limits.Baselines>>20, "most that the baselines may hold, MiB")
	fl.Int64Var(&f.scans, "scans-mib", f.limits.Scans>>20, "most that the pictures behind readings may hold, MiB")
	fl.BoolVar(&f.asJSON, "json", false, "print JSON")
	return c
}

// initFlags say what a bus shall be like.
type initFlags struct {
	limits                          bus.Limits
	partitions                      int
	inbox, record, baselines, scans int64 // MiB
	asJSON                          bool
}

// init sets the bus up and says how it stands then.
func (f *initFlags) init(c *cobra.Command) error {
	more, err := f.take(c)
	if err != nil {
		return err
	}
	cl, err := connect(c)
	if err != nil {
		return err
	}
	defer cl.close()
	if gone, err := bus.FindGone(cl.ctx, cl.js); err == nil && gone != nil { // else provision says what is wrong
		fmt.Fprintf(c.ErrOrStderr(), "warning: %s\n", gone)
	}
	if err := provision(cl.ctx, cl.js, f.limits); err != nil {
		return err
	}
	// What was there before has kept its limits and its servers.
	said, err := bus.Raise(cl.ctx, cl.js, more)
	if err != nil {
		for _, line := range said {
			fmt.Fprintln(c.ErrOrStderr(), line)
		}
		return fmt.Errorf("the bus is not as asked for: %w; it needs as many servers as --replicas says, each with room for what is reserved", err)
	}
	return f.tell(c, cl, said)
}

// take checks the flags and takes them over into the limits; more are those that were given, which
// also what is there already shall have.
func (f *initFlags) take(c *cobra.Command) (more bus.Limits, err error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return more, err
	}
	l := &f.limits
	if !cfg.outside() {
		return more, usagef("name the bus with --nats or --context; a worker's own bus sets itself up")
	}
	if l.Replicas != 1 && l.Replicas != 3 && l.Replicas != 5 {
		return more, usagef("--replicas %d: give 1, 3 or 5; an even number survives no more than the odd one below", l.Replicas)
	}
	if c.Flags().Changed("replicas") {
		more.Replicas = l.Replicas
	}
	if c.Flags().Changed("partitions") {
		if err := needPartitions(f.partitions); err != nil {
			return more, err
		}
		l.Partitions = f.partitions
	}
	for _, x := range []struct {
		flag      string
		mib       int64
		to, raise *int64
	}{
		{"inbox-mib", f.inbox, &l.Inbox, &more.Inbox}, {"record-mib", f.record, &l.Record, &more.Record},
		{"baselines-mib", f.baselines, &l.Baselines, &more.Baselines}, {"scans-mib", f.scans, &l.Scans, &more.Scans},
	} {
		if x.mib < 1 {
			return more, usagef("--%s %d: give at least 1", x.flag, x.mib)
		}
		*x.to = x.mib << 20
		if c.Flags().Changed(x.flag) {
			*x.raise = *x.to
		}
	}
	return more, nil
}

// tell says how the bus stands after said was changed.
func (f *initFlags) tell(c *cobra.Command, cl *client, said []string) error {
	kept, on, err := bus.LeastReplicas(cl.ctx, cl.js)
	if err != nil {
		return err
	}
	d, err := bus.ReadDivision(cl.ctx, cl.js)
	if err != nil {
		return err
	}
	left, err := d.Left(cl.ctx, cl.js)
	if err != nil {
		return err
	}
	if f.asJSON {
		return writeJSON(c, map[string]any{"ready": true, "replicas": kept, "partitions": d.Count(), "left": len(left), "changed": said})
	}
	parts := "the inbox is whole"
	if d.Count() > 1 {
		parts = fmt.Sprintf("the inbox is divided into %d", d.Count())
	}
	if len(left) > 0 {
		parts += "; what waited before that is judged first"
	}
	for _, line := range said {
		fmt.Fprintln(c.OutOrStdout(), line)
	}
	if n := f.limits.Replicas; kept < n {
		fmt.Fprintf(c.OutOrStdout(), "%s: on %d of the bus's servers, as made before; with `--replicas %d` init puts them on as many\n", strings.Join(on, ", "), kept, n)
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "the bus is ready for workers: every stream on at least %d of its servers; %s\n", kept, parts)
	return err
}

// provision sets the bus up; the servers of a cluster that has just been started need a moment to
// find each other and to choose their leader.
func provision(ctx context.Context, js jetstream.JetStream, l bus.Limits) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var last error
	for {
		// A question that came before there was a leader is never answered.
		try, cancel := context.WithTimeout(ctx, 10*time.Second)
		err := bus.Provision(try, js, l)
		cancel()
		if err == nil {
			return nil
		}
		var api *jetstream.APIError
		place := errors.As(err, &api) && api.ErrorCode == noPlace
		if place {
			err = fmt.Errorf("%w: %d servers with %d MiB of file storage free each are needed; start more, make their max_file_store larger, or reserve less with --inbox-mib, --record-mib, --baselines-mib and --scans-mib", err, l.Replicas, l.Total()>>20)
		}
		if last == nil || ctx.Err() == nil {
			last = err
		}
		if !place && !bus.IsAway(err) {
			return last
		}
		select {
		case <-ctx.Done():
			return last
		case <-time.After(500 * time.Millisecond):
		}
	}
}

// noPlace is the server's code for a stream that fits on too few servers, or on servers that are not
// there yet.
const noPlace = 10005
