package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
)

// addBusFlags adds the flags by which every command finds the bus.
func addBusFlags(c *cobra.Command) {
	f := c.PersistentFlags()
	f.String("data", "", "data folder of the worker on this machine (default "+defaultDataDir()+")")
	f.String("nats", "", "address of a bus on another machine (a NATS server), nats://HOST:PORT; several with commas (or NATS_URL)")
	f.String("context", "", "name of a context of the nats tool that says how to reach that bus")
	f.String("creds", "", "file with credentials for that bus (or NATS_CREDS)")
	f.String("nkey", "", "file with the private key for that bus, as 'station grant' writes it")
	f.String("tls-ca", "", "PEM file of the authority that signed that bus's certificate")
	f.String("tls-fingerprint", "", "SHA-256 of that bus's certificate, as the worker's log shows it, in place of --tls-ca")
	f.String("config", "", "configuration file (TOML)")
	f.String("zone", "", "the shop's time zone, such as Europe/Paris (default: as its worker knows it, which is the machine's where none is set)")
}

// defaultDataDir follows the system's habit for what a program keeps.
func defaultDataDir() string {
	if d := os.Getenv("STATE_DIRECTORY"); d != "" { // systemd
		return d
	}
	if d := os.Getenv("XDG_STATE_HOME"); d != "" {
		return filepath.Join(d, "swathkeeper")
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "swathkeeper-data"
	}
	switch runtime.GOOS {
	case "windows", "darwin":
		if d, err := os.UserConfigDir(); err == nil {
			return filepath.Join(d, "swathkeeper")
		}
	}
	return filepath.Join(home, ".local", "state", "swathkeeper")
}

// errDenied ends a command whose credentials do not allow what it does.
var errDenied = errors.New("the credentials do not allow this")

// client is a command's connection to the bus.
type client struct {
	nc    *nats.Conn
	js    jetstream.JetStream
	embed *bus.Embedded
	ctx   context.Context // the command's own; shorter where the store is only looked at
	stop  context.CancelFunc
	cfg   *config
}

// zone is the shop's time zone: as it is set here, else as the shop's worker noted it, else the
// machine's.
func (c *client) zone() (*time.Location, error) {
	if c.cfg.Zone != "" {
		return c.cfg.location()
	}
	zone, err := bus.ShopZone(c.ctx, c.js)
	if err != nil {
		return nil, c.explain(err)
	}
	if zone == nil {
		zone = time.Local
	}
	return zone, nil
}

// known refuses a printer or a site of which nothing has ever come. It is asked when nothing was
// found, since it costs a look through all names.
func (c *client) known(site, printer string) error {
	return c.explain(history.Known(c.ctx, c.js, site, printer))
}

// lookAt is look for the commands that show what happened, with the zone to show it in. site and
// printer are what was chosen, and may be empty.
func lookAt(cmd *cobra.Command, site, printer string) (*client, *time.Location, error) {
	if err := noEmptyFlags(cmd); err != nil {
		return nil, nil, err
	}
	for _, f := range [][2]string{{"site", site}, {"printer", printer}} {
		if f[1] != "" {
			if err := needToken(f[0], f[1]); err != nil {
				return nil, nil, err
			}
		}
	}
	cl, err := look(cmd)
	if err != nil {
		return nil, nil, err
	}
	zone, err := cl.zone()
	if err != nil {
		cl.close()
		return nil, nil, err
	}
	return cl, zone, nil
}

// noEmptyFlags refuses a flag that was given without a value, as by a script whose variable is not
// set: taken for left out, it would show everything.
func noEmptyFlags(cmd *cobra.Command) error {
	var err error
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if f.Value.Type() == "string" && f.Value.String() == "" && err == nil {
			err = usagef("--%s is empty; give it a value, or leave it out", f.Name)
		}
	})
	return err
}

// stampLayout is how a line shows a time.
const stampLayout = "2006-01-02 15:04"

// span reads from when and until when something is wanted, in the shop's zone.
func (c *client) span(since, until string) (from, to, now time.Time, err error) {
	zone, err := c.zone()
	if err != nil {
		return from, to, now, err
	}
	now = time.Now().In(zone)
	from, to, err = spanAt(since, until, now)
	return from, to, now, err
}

// spanAt is span at a time; with any time, it tells whether the texts can be read at all.
func spanAt(since, until string, now time.Time) (from, to time.Time, err error) {
	if from, err = history.ParseWhen(since, now); err != nil {
		return from, to, usagef("--since: %w", err)
	}
	if to, err = history.ParseWhen(until, now); err != nil {
		return from, to, usagef("--until: %w", err)
	}
	if !to.IsZero() && !from.IsZero() && !to.After(from) {
		return from, to, usagef("--until %s is not after --since %s", until, since)
	}
	return from, to, nil
}

// close ends the connection, and the store where this command had opened it itself.
func (c *client) close() {
	if c.stop != nil {
		c.stop()
	}
	c.nc.Close()
	if c.embed != nil {
		c.embed.Stop()
	}
}

// connect finds the bus: an outside one when it is named, else the worker that runs on the data
// folder, else, when nobody holds that folder, the store itself.
func connect(cmd *cobra.Command) (*client, error) {
	return find(cmd, func(ctx context.Context, dir string) (*bus.Embedded, error) {
		return bus.StartEmbedded(ctx, bus.EmbeddedOptions{
			Dir: dir, SyncAlways: true, MaxStore: bus.DefaultLimits().Total(), LockWait: 2 * time.Second, Log: zerolog.Nop(),
		})
	})
}

// lookLimit is how long a command may hold the store of a stopped worker: `run` waits longer.
const lookLimit = 30 * time.Second

// lookMemory is the soft limit of memory of a command that opens the store itself: with what the
// limit does not count it stays under 200 MB.
const lookMemory = 144 << 20

// look is connect for commands that only read. The store of a stopped worker is then left as it is,
// to the last file, and let go after lookLimit.
func look(cmd *cobra.Command) (*client, error) {
	limited, stop := context.WithTimeoutCause(cmd.Context(), lookLimit,
		fmt.Errorf("this took longer than the %s for which the store of a stopped worker may be held; start the worker, or ask for less", lookLimit))
	cl, err := find(cmd, func(_ context.Context, dir string) (*bus.Embedded, error) {
		return bus.Look(limited, dir, zerolog.Nop())
	})
	switch {
	case err != nil:
		stop()
		return nil, err
	case cl.embed == nil:
		stop()
	default:
		cl.ctx, cl.stop = limited, stop
		// The store's server keeps what it has read for a while, unless memory is short.
		if os.Getenv("GOMEMLIMIT") == "" {
			debug.SetMemoryLimit(lookMemory)
		}
	}
	return cl, nil
}

// explain puts the reason for which a client's context ended in the place of the context's error, and
// words for people in the place of the bus's own where a store lacks what every store has.
func (c *client) explain(err error) error {
	if err != nil && c.ctx.Err() != nil && errors.Is(err, context.DeadlineExceeded) {
		return context.Cause(c.ctx)
	}
	if errors.Is(err, jetstream.ErrStreamNotFound) || errors.Is(err, jetstream.ErrBucketNotFound) {
		if c.cfg.outside() {
			return errors.New("this bus holds nothing of swathkeeper's, or not all that it needs; `swathkeeper doctor` says what is missing")
		}
		return fmt.Errorf("the store in %s is damaged, or is none of swathkeeper's; `swathkeeper doctor` says what is missing", c.cfg.Data)
	}
	return err
}

// find finds the bus; open opens the store where no worker runs.
func find(cmd *cobra.Command, open func(context.Context, string) (*bus.Embedded, error)) (*client, error) {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return nil, err
	}
	// A denied request is otherwise silence until a time-out: it ends the command at once.
	ctx, deny := context.WithCancelCause(cmd.Context())
	cmd.SetContext(ctx)
	co := cfg.busOptions()
	co.Denied = func(err error) { deny(fmt.Errorf("%w: %w", errDenied, err)) }
	co.Name = "swathkeeper " + cmd.Name()
	co.Log = zerolog.Nop()
	if cfg.outside() {
		return dial(ctx, cfg, co, nil)
	}
	dir := cfg.Data
	ep, err := bus.ReadEndpoint(dir)
	if err == nil {
		local := co
		local.URL, local.Token, local.Fingerprint = ep.Address, ep.Token, ep.Fingerprint
		if c, err := dial(ctx, cfg, local, nil); err == nil {
			return c, nil
		}
		// A worker that was killed leaves its endpoint behind; the lock tells.
	}
	torn := err // where no worker runs, nobody needs the endpoint
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		torn = nil
	}
	if i, err := os.Stat(dir); err == nil && !i.IsDir() {
		return nil, fmt.Errorf("%s is a file; --data names the folder of the worker", dir)
	}
	if _, err := os.Stat(filepath.Join(dir, "bus")); err != nil {
		return nil, fmt.Errorf("no worker runs on %s and nothing is stored there; start one with `swathkeeper run`, or name its folder with --data", dir)
	}
	e, err := open(ctx, dir)
	if errors.Is(err, bus.ErrLocked) && torn != nil {
		return nil, torn
	}
	if errors.Is(err, bus.ErrLocked) {
		return nil, fmt.Errorf("%w, which does not listen; stop it, or start it with --listen", err)
	}
	if err != nil {
		return nil, err
	}
	co.Embedded = e
	return dial(ctx, cfg, co, e)
}

func dial(ctx context.Context, cfg *config, co bus.ConnectOptions, e *bus.Embedded) (*client, error) {
	nc, js, err := bus.Connect(ctx, co)
	if err != nil {
		if e != nil {
			e.Stop()
		}
		return nil, err
	}
	return &client{nc: nc, js: js, embed: e, ctx: ctx, cfg: cfg}, nil
}
