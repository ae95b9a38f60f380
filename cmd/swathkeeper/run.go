package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/health"
	"swathkeeper/worker/limited"
	"swathkeeper/worker/station"
)

// defaultListen is where the worker listens for stations and commands of this machine.
const defaultListen = "127.0.0.1:4222"

func newRun() *cobra.Command {
	var chats chatFlags
	var watched []string
	var fill station.Fill
	var wf watchFlags
	c := &cobra.Command{
		Use:   "run",
		Short: "Run the worker: take readings, judge them, tell people",
		Long: `Run the worker: take readings, judge them, tell people.

Without --nats it runs its own bus in the data folder and listens on this machine only.
Every flag is also a setting of the configuration file and a variable: --no-sync is
no-sync in TOML and SWATHKEEPER_NO_SYNC. Settings without a flag: [tolerance], [lines],
[alert], [keep] and [chat.NAME]; see the handbook, deploy/HANDBOOK.md.`,
		Example: `  swathkeeper run
  swathkeeper run --data /srv/swathkeeper --listen 127.0.0.1:4333 --chat console
  swathkeeper run --config swathkeeper.toml --nats nats://bus-1:4222,nats://bus-2:4222`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			log, err := newLog(c.ErrOrStderr(), cfg.Log)
			if err != nil {
				return err
			}
			chats.addTo(cfg)
			o, err := cfg.workerOptions(c.OutOrStdout())
			if err != nil {
				return err
			}
			o.Log, o.Version = log, versionText()
			if err := limitMemory(cfg.Memory); err != nil {
				return err
			}
			var out station.Outlet
			wo, err := wf.options(cfg, watched, fill, &out, log)
			if err != nil {
				return err
			}
			for _, f := range cfg.openSecrets(c) {
				log.Warn().Str("next", f.Next).Msg(f.Text)
			}
			w, err := worker.New(o)
			if err != nil {
				return &usageError{err} // it looks at the settings only
			}
			if err := w.Start(c.Context()); err != nil {
				return err
			}
			sayWatching(log, w, cfg.Data)
			defer tellSystemd(c.Context(), w, log)()
			if len(watched) == 0 {
				return w.Wait(c.Context())
			}
			out.Open(w.JetStream())
			ctx, finish := watchBeside(c.Context(), wo)
			err = w.Wait(ctx)
			return errors.Join(finish(), err)
		},
	}
	f := c.Flags()
	f.String("listen", "", "where the own bus listens, HOST:PORT (default "+defaultListen+"); beyond this machine only after a grant, and encrypted")
	f.String("listen-cert", "", "PEM file of the certificate that the own bus shows (default: one is generated when it is needed)")
	f.String("listen-key", "", "PEM file of its key")
	f.StringArrayVar(&watched, "watch", nil, "also send the files saved into this folder; may be repeated, see 'swathkeeper watch --help'")
	addFillFlags(c, &fill)
	wf.add(c)
	f.String("health", "", "where /healthz, /readyz and /metrics are answered, HOST:PORT, or off (default "+defaultHealth+")")
	f.String("name", "", "what this worker is called among those on one bus (default: the machine's name)")
	f.String("alive", "", "address to call every five minutes while bus, store and judging work: whoever answers there misses a dead worker")
	f.String("alive-file", "", "file that holds the address of --alive, where it is a secret")
	f.Bool("alive-inside", false, "let --alive lead to this machine by a name")
	f.Bool("no-sync", false, "let the disk lag behind: faster, but a power cut may lose readings")
	f.Int("partitions", 0, fmt.Sprintf("into how many parts the inbox is divided, each judged by itself, 1 to %d (default: as it is; a new one is whole)", bus.MaxPartitions))
	f.String("log", "", "least level that is logged: debug, info (default), warn, error")
	f.Int("memory", 0, fmt.Sprintf("soft limit of memory in MiB (default %d, or what GOMEMLIMIT says)", defaultMemory))
	chats.add(c)
	return c
}

// sayWatching logs that the worker is up, and where it can be reached.
func sayWatching(log zerolog.Logger, w *worker.Worker, data string) {
	e := log.Info().Str("version", versionText())
	if ep := w.Endpoint(); ep.Address != "" {
		e = e.Str("listen", ep.Address).Str("data", data)
		if ep.Fingerprint != "" {
			e = e.Str("fingerprint", ep.Fingerprint)
		}
	}
	if at := w.HealthAddress(); at != "" {
		e = e.Str("health", at)
	}
	e.Msg("watching")
}

// defaultHealth is where the worker tells how it is doing. Where that is taken, another port will
// do: the log and the endpoint's file say which.
const (
	defaultHealth = "127.0.0.1:4280"
	healthElse    = "127.0.0.1:0"
)

// tellSystemd says that the worker is up, and keeps saying that it is alive until the returned
// function says that it stops.
func tellSystemd(ctx context.Context, w *worker.Worker, log zerolog.Logger) (stopping func()) {
	health.Notify(daemon.SdNotifyReady, log)
	watch, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() { defer close(done); health.Watchdog(watch, w.Live, log) }()
	stop := context.AfterFunc(ctx, func() { health.Notify(daemon.SdNotifyStopping, log) })
	return func() { stop(); cancel(); <-done }
}

// lockWait is how long run waits for another program to leave its data folder: a command that looks
// into the store of a stopped worker holds it for a moment.
const lockWait = 60 * time.Second

// workerOptions turns settings into the worker's options.
func (c *config) workerOptions(console io.Writer) (worker.Options, error) {
	o := worker.Options{NoSync: c.NoSync, Judge: c.judgeOptions(), LockWait: lockWait}
	switch c.Health {
	case "":
		o.Health, o.HealthElse = defaultHealth, healthElse
	case "off":
	default:
		if err := health.CheckAddress(c.Health); err != nil {
			return o, &usageError{err}
		}
		o.Health = c.Health
	}
	if o.Name = c.Name; o.Name != "" {
		if err := needToken("name", o.Name); err != nil {
			return o, err
		}
	}
	o.Alive, o.AliveInside = c.Alive, c.AliveInside
	if c.AliveFile != "" {
		if c.Alive != "" {
			return o, usagef("give --alive or --alive-file, not both")
		}
		b, err := limited.Read(c.AliveFile, limited.Small)
		if err != nil {
			return o, usagef("alive-file: %w", err)
		}
		if o.Alive = strings.TrimSpace(string(b)); o.Alive == "" {
			return o, usagef("alive-file %s is empty: put the address to call into it", c.AliveFile)
		}
	}
	zone, err := c.location()
	if err != nil {
		return o, err
	}
	if o.Alert, err = c.alertOptions(zone); err != nil {
		return o, err
	}
	if o.Keep, err = c.Keep.policy(); err != nil {
		return o, err
	}
	o.Chat.Zone, o.Chat.Console = zone, console
	if o.Chat.Targets, err = c.chatTargets(); err != nil {
		return o, err
	}
	if c.Partitions != 0 {
		if err := needPartitions(c.Partitions); err != nil {
			return o, err
		}
		o.Limits = bus.DefaultLimits()
		o.Limits.Partitions = c.Partitions
	}
	if c.outside() {
		if err := bus.CheckURL(c.NATS); err != nil {
			return o, &usageError{err}
		}
		if c.Partitions != 0 {
			return o, usagef("--partitions divides a worker's own bus; divide an outside one once, with `swathkeeper init --partitions %d`", c.Partitions)
		}
		o.Bus = c.busOptions()
		return o, nil
	}
	if err := checkFolder(c.Data); err != nil {
		return o, err
	}
	o.DataDir, o.Listen, o.ListenCert, o.ListenKey = c.Data, c.Listen, c.ListenCert, c.ListenKey
	if o.Listen == "" {
		o.Listen = defaultListen
	}
	if err := bus.CheckListen(o.Listen); err != nil {
		return o, &usageError{err}
	}
	return o, nil
}

// checkFolder refuses what cannot become a data folder by starting again.
func checkFolder(dir string) error {
	st, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil // it will be made
	case errors.Is(err, syscall.ENOTDIR) || err == nil && !st.IsDir():
		return usagef("data folder %s: it is no folder; name another with --data", dir)
	case err != nil:
		return usagef("data folder: %w", err)
	}
	return nil
}

// needPartitions refuses what an inbox cannot be divided into.
func needPartitions(n int) error {
	if n < 1 || n > bus.MaxPartitions {
		return usagef("--partitions %d: give 1 to %d", n, bus.MaxPartitions)
	}
	return nil
}

// newLog writes JSON lines, or text for people on a terminal.
func newLog(w io.Writer, level string) (zerolog.Logger, error) {
	if level == "" {
		level = "info"
	}
	l, err := zerolog.ParseLevel(strings.ToLower(level))
	if err != nil {
		return zerolog.Nop(), usagef("log level %q: give debug, info, warn or error", level)
	}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		w = zerolog.ConsoleWriter{Out: w, TimeFormat: "15:04:05", NoColor: os.Getenv("NO_COLOR") != ""}
	}
	return zerolog.New(w).Level(l).With().Timestamp().Logger(), nil
}

// defaultMemory is the soft limit of the worker's memory in MiB: near it the collector works harder,
// and nothing fails beyond it.
const defaultMemory = 192

// limitMemory sets the soft limit; 0 means the default, unless GOMEMLIMIT has set one already.
func limitMemory(mib int) error {
	switch {
	case mib < 0 || mib > 0 && mib < 64:
		return usagef("--memory %d: give at least 64 MiB", mib)
	case mib == 0 && os.Getenv("GOMEMLIMIT") != "":
		return nil
	case mib == 0:
		mib = defaultMemory
	}
	debug.SetMemoryLimit(int64(mib) << 20)
	return nil
}
