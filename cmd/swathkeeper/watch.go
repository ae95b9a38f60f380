package main

import (
	"context"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

func init() { extra = append(extra, newWatch) }

const watchHelp = `A file is taken when it has been written to its end: when nobody has it open and it has
not changed for a while. It goes to done/ in the watched folder as soon as its readings
are safe in the spool, from where they are sent, also after an outage of the bus or a
restart, and never twice. A file that cannot be taken goes to refused/, with a note of
why beside it. done/sent.txt lists what was sent.

What a file cannot know comes, nearest first, from
  - a sidecar NAME.toml beside it, such as
      printer = "heron"
      media   = "pennant-knit"
    (site, printer, station, media, preset, stage, path, chart, instrument, mode, print),
  - a folder.toml in its folder or one above it,
  - the names of the folders: SITE/PRINTER/MEDIA/PRESET/STAGE below the watched one,
    without those that a flag gives,
  - the flags.`

func newWatch() *cobra.Command {
	var fill station.Fill
	var f watchFlags
	var level string
	c := &cobra.Command{
		Use:   "watch DIR...",
		Short: "Send measurement files and scans as they are saved",
		Long:  "Send measurement files and scans as they are saved into folders.\n\n" + watchHelp,
		Example: `  swathkeeper watch --site quay /srv/measured
  swathkeeper watch --nats tls://bench:4222 --nkey bench-1.nk --tls-fingerprint AB:CD:... \
      --site quay --printer heron --media pennant-knit --preset deep --stage pressed ~/charts`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if level == "" {
				level = cfg.Log
			}
			log, err := newLog(c.ErrOrStderr(), level)
			if err != nil {
				return err
			}
			var out station.Outlet
			co := cfg.busOptions()
			co.Name, co.Log, co.Patient, co.Denied = "swathkeeper watch "+fill.Station, log, true, out.Denied
			if !cfg.outside() {
				co.Follow = cfg.Data
			}
			nc, js, err := bus.Connect(c.Context(), co)
			if err != nil {
				return err
			}
			defer nc.Close()
			out.Open(js)
			o, err := f.options(cfg, args, fill, &out, log)
			if err != nil {
				return err
			}
			log.Info().Strs("folders", args).Msg("watching")
			return station.Watch(c.Context(), o)
		},
	}
	addFillFlags(c, &fill)
	f.add(c)
	c.Flags().StringVar(&level, "log", "", "least level that is logged: debug, info (default), warn, error")
	return c
}

// watchFlags are what watch and run --watch have in common.
type watchFlags struct {
	pictureFlags
	spool                   string
	keepScans               bool
	quiet, patience, rescan time.Duration
}

func (f *watchFlags) add(c *cobra.Command) {
	fl := c.Flags()
	fl.StringVar(&f.spool, "spool", "", "folder, on this machine's own disk, for what is not sent yet (default: spool in the data folder)")
	f.pictureFlags.add(c)
	fl.BoolVar(&f.keepScans, "keep-scans", false, "keep the picture behind a reading at the bus, too")
	fl.DurationVar(&f.quiet, "quiet", 2*time.Second, "how long a file must stay unchanged to count as finished")
	fl.DurationVar(&f.patience, "patience", 30*time.Second, "how long to wait for the rest of a file, or its sidecar, before it is refused")
	fl.DurationVar(&f.rescan, "rescan", 15*time.Second, "how often folders are looked through; a network share does not tell of changes")
}

func (f *watchFlags) options(cfg *config, dirs []string, fill station.Fill, out *station.Outlet, log zerolog.Logger) (station.WatchOptions, error) {
	spool := f.spool
	if spool == "" {
		spool = filepath.Join(cfg.Data, "spool")
	}
	if fill.Kind == protocol.KindSpectrophotometer {
		fill.Kind = "" // the flag's default; a scan says that it is one
	}
	o := station.WatchOptions{
		Dirs: dirs, Spool: spool, Fill: fill, Quiet: f.quiet, Patience: f.patience, Rescan: f.rescan,
		Layouts: &station.Layouts{Dir: filepath.Join(spool, "layouts"), Fetch: out.Layout},
		Publish: out.Publish, IsAway: bus.IsAway, Log: log.With().Str("part", "watch").Logger(),
	}
	if f.keepScans {
		o.Store = out.Store
	}
	for _, name := range f.layouts {
		c, err := station.ReadLayout(name, "")
		if err != nil {
			return o, err
		}
		o.Layouts.Add(c)
	}
	var err error
	o.Calibration, err = f.load(cfg)
	return o, err
}

// watchBeside runs a watch beside a worker. The context it gives ends when the watch fails; finish
// waits for its end and says why.
func watchBeside(ctx context.Context, o station.WatchOptions) (_ context.Context, finish func() error) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan error, 1)
	go func() {
		err := station.Watch(ctx, o)
		done <- err
		cancel()
	}()
	return ctx, func() error { cancel(); return <-done }
}
