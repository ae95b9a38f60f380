package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/worker/archive"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/zones"
)

func init() { extra = append(extra, newExport, newImport) }

func newExport() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "export FILE",
		Short: "Put everything that is kept into one file, as a copy or to move",
		Long: `Put everything that is kept into one file: readings, records, charts, baselines, scans,
what chat has sent, and who was granted what. The worker may run meanwhile. Settings,
secrets and certificates are not in it: copy those yourself.`,
		Example: `  swathkeeper export quay-2026-03.zip`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			cl, err := connect(c)
			if err != nil {
				return err
			}
			defer cl.close()
			zone, err := cl.zone()
			if err != nil {
				return err
			}
			grants := ""
			if !cfg.outside() {
				grants = filepath.Join(cfg.Data, bus.GrantsFile)
			}
			var m *archive.Manifest
			// Only its owner may read it: it holds all there is.
			err = wholeFile(args[0], 0o600, func(f *os.File) error {
				var err error
				if m, err = archive.Export(c.Context(), cl.nc, cl.js, grants, versionText(), f); err != nil {
					return err
				}
				a, err := archive.Open(f.Name()) // read it back before it is relied on
				if err != nil {
					return fmt.Errorf("what was written to %s does not read back: %w", args[0], err)
				}
				return a.Close()
			})
			if err != nil {
				return err
			}
			return printManifest(c, m, zone, asJSON)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print what it holds as JSON")
	return c
}

func newImport() *cobra.Command {
	var check, asJSON bool
	c := &cobra.Command{
		Use:   "import FILE",
		Short: "Take an exported file in, on a machine that keeps nothing yet",
		Long: `Make a store of an exported file, in an empty data folder or on a bus that holds nothing of
swathkeeper's. Every part is held against its digest first. Stop the old worker before
you start the new one: readings sent to the old one after the export are not in the file.`,
		Example: `  swathkeeper import quay-2026-03.zip --data /srv/swathkeeper
  swathkeeper import quay-2026-03.zip --check`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			a, err := archive.Open(args[0])
			if err != nil {
				return err
			}
			defer a.Close()
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			zone, err := cfg.location()
			if err != nil {
				return err
			}
			if check {
				return printManifest(c, &a.Manifest, zone, asJSON)
			}
			cl, err := empty(c, cfg)
			if err != nil {
				return err
			}
			defer cl.close()
			grants := ""
			if !cfg.outside() {
				grants = filepath.Join(cfg.Data, bus.GrantsFile)
			}
			if err := a.Import(c.Context(), cl.nc, cl.js, bus.DefaultLimits(), grants); err != nil {
				return err
			}
			if zone, err = cl.zone(); err != nil {
				return err
			}
			return printManifest(c, &a.Manifest, zone, asJSON)
		},
	}
	c.Flags().BoolVar(&check, "check", false, "only look whether the file is whole, and what it holds")
	c.Flags().BoolVar(&asJSON, "json", false, "print what it holds as JSON")
	return c
}

// empty opens the bus that an import goes to.
func empty(c *cobra.Command, cfg *config) (*client, error) {
	if cfg.outside() {
		return connect(c)
	}
	ctx := c.Context()
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{
		Dir: cfg.Data, SyncAlways: true, MaxStore: bus.DefaultLimits().Total(), LockWait: 2 * time.Second, Log: zerolog.Nop(),
	})
	if errors.Is(err, bus.ErrLocked) {
		return nil, fmt.Errorf("%w; import into a folder that no worker runs on", err)
	}
	if err != nil {
		return nil, err
	}
	co := cfg.busOptions()
	co.Name, co.Log, co.Embedded = "swathkeeper import", zerolog.Nop(), e
	return dial(context.WithoutCancel(ctx), cfg, co, e)
}

func printManifest(c *cobra.Command, m *archive.Manifest, zone *time.Location, asJSON bool) error {
	if asJSON {
		return writeJSON(c, m)
	}
	var w io.Writer = c.OutOrStdout()
	fmt.Fprintf(w, "made %s by swathkeeper %s\n", zones.Stamp(m.Made, zone, stampLayout), m.Version)
	fmt.Fprintf(w, "%12s  %-16s  %s\n", "size", "checksum", "what")
	for _, p := range m.Parts {
		fmt.Fprintf(w, "%9d KB  %-16s  %s\n", (p.Bytes+1023)/1024, p.SHA256[:16], p.What)
	}
	return nil
}
