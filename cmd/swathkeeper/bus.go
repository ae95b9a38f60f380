package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/worker/bus"
)

// addBusFlags adds the flags by which every command finds the bus.
func addBusFlags(c *cobra.Command) {
	f := c.PersistentFlags()
	f.String("data", "", "data folder of the worker on this machine (default "+defaultDataDir()+")")
	f.String("nats", "", "address of an outside bus, nats://HOST:PORT; several with commas (or NATS_URL)")
	f.String("context", "", "NATS context to reach the outside bus by")
	f.String("creds", "", "file with credentials for the outside bus (or NATS_CREDS)")
	f.String("nkey", "", "file with the private nkey for the outside bus")
	f.String("tls-ca", "", "PEM file of the authority that signed the outside bus's certificate")
	f.String("tls-fingerprint", "", "SHA-256 of the outside bus's certificate, in place of --tls-ca")
	f.String("config", "", "configuration file (TOML)")
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

// client is a command's connection to the bus.
type client struct {
	nc    *nats.Conn
	js    jetstream.JetStream
	embed *bus.Embedded
}

// close ends the connection, and the store where this command had opened it itself.
func (c *client) close() {
	c.nc.Close()
	if c.embed != nil {
		c.embed.Stop()
	}
}

// connect finds the bus: an outside one when it is named, else the worker that runs on the data
// folder, else, when nobody holds that folder, the store itself.
func connect(cmd *cobra.Command) (*client, error) {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return nil, err
	}
	ctx := cmd.Context()
	co := cfg.busOptions()
	co.Name = "swathkeeper " + cmd.Name()
	co.Log = zerolog.Nop()
	if cfg.outside() {
		return dial(ctx, co, nil)
	}
	dir := cfg.Data
	ep, err := bus.ReadEndpoint(dir)
	if err == nil {
		local := co
		local.URL, local.Token, local.Fingerprint = ep.Address, ep.Token, ep.Fingerprint
		if c, err := dial(ctx, local, nil); err == nil {
			return c, nil
		}
		// A worker that was killed leaves its endpoint behind; the lock tells.
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if _, err := os.Stat(filepath.Join(dir, "bus")); err != nil {
		return nil, fmt.Errorf("no worker runs on %s and nothing is stored there; start one with `swathkeeper run`, or name its folder with --data", dir)
	}
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{
		Dir: dir, SyncAlways: true, MaxStore: bus.DefaultLimits().Total(), LockWait: 2 * time.Second, Log: zerolog.Nop(),
	})
	if errors.Is(err, bus.ErrLocked) {
		return nil, fmt.Errorf("%w, which does not listen; stop it, or start it with --listen", err)
	}
	if err != nil {
		return nil, err
	}
	co.Embedded = e
	return dial(ctx, co, e)
}

func dial(ctx context.Context, co bus.ConnectOptions, e *bus.Embedded) (*client, error) {
	nc, js, err := bus.Connect(ctx, co)
	if err != nil {
		if e != nil {
			e.Stop()
		}
		return nil, err
	}
	return &client{nc: nc, js: js, embed: e}, nil
}
