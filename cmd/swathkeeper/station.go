package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/bus"
)

func init() { extra = append(extra, newStation) }

func newStation() *cobra.Command {
	c := &cobra.Command{
		Use:   "station",
		Short: "Who may send readings from elsewhere: grant, list, revoke",
		Long: `Who may use the worker's bus: grant, list, revoke.

Everybody beyond this machine needs a key of their own. Its private half lies in a file
with its holder; the worker keeps the public half, and what it may do, in its data
folder. A running worker takes changes by itself: grants at once, what is taken away
within about a second.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newStationGrant(), newStationList(), newStationRevoke())
	return c
}

func newStationGrant() *cobra.Command {
	var f grantFlags
	c := &cobra.Command{
		Use:   "grant NAME",
		Short: "Give NAME a key, or change what it may do",
		Long: `Give NAME a key, or change what it may do.

The private half of the key is written to NAME.nk: take it to the station, and keep it
from others. Of a name that has a key already, only the rights change; --new-key
replaces its key too.

A station may send readings of its own printers, and nothing else; --notes also lets it
send notes about them (journal entries, baseline, hold), --scans lets it fetch chart
layouts and store pictures. Other roles: worker (judges on an outside bus), viewer (reads
history, readings and charts), admin (everything).`,
		Example: `  swathkeeper station grant bench-1 --site quay --printer heron --printer plover
  swathkeeper station grant office --role viewer
  swathkeeper station grant bench-2 --site quay --printer dunlin --server-config`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error { return f.grant(c, args[0]) },
	}
	fl := c.Flags()
	fl.StringVar(&f.role, "role", string(bus.RoleStation), "station, worker, viewer or admin")
	fl.StringVar(&f.may.Site, "site", "", "site of a station, such as quay")
	fl.StringSliceVar(&f.may.Printers, "printer", nil, "printer whose readings it may send; may be repeated")
	fl.BoolVar(&f.may.Notes, "notes", false, "it may also send notes about its printers")
	fl.BoolVar(&f.may.Scans, "scans", false, "it may also fetch chart layouts and store pictures")
	fl.StringVar(&f.out, "out", "", "where the private key is written (default NAME.nk)")
	fl.BoolVar(&f.newKey, "new-key", false, "replace the key of a name that has one; the old one is no longer good")
	fl.BoolVar(&f.config, "server-config", false, "print the entry for an outside NATS server's configuration; nothing is granted here")
	fl.BoolVar(&f.asJSON, "json", false, "print a JSON object")
	return c
}

// grantFlags say what somebody may do, and where their key goes.
type grantFlags struct {
	may                    bus.Grant
	role, out              string
	newKey, config, asJSON bool
}

// grant gives a name its rights, and a key where it has none or a new one is wanted.
func (f *grantFlags) grant(c *cobra.Command, name string) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	if cfg.outside() && !f.config {
		return usagef("grants are kept by the worker's own bus; for an outside one, --server-config prints what its configuration needs")
	}
	g := f.may
	g.Name, g.Role, g.Since = name, bus.Role(f.role), time.Now().UTC().Truncate(time.Second)
	if err := g.Validate(); err != nil {
		return usagef("%w", err)
	}
	var known *bus.Grant
	if !f.config {
		all, err := bus.ReadGrants(cfg.Data)
		if err != nil {
			return err
		}
		known = all.Find(name)
	}
	seedFile := ""
	if known == nil || f.newKey {
		seedFile = cmp.Or(f.out, name+".nk")
		var seed []byte
		if g.Key, seed, err = bus.NewKey(); err != nil {
			return err
		}
		if err := writeSeed(seedFile, seed); err != nil {
			return err
		}
	}
	if f.config {
		printServerConfig(c, &g, seedFile)
		return nil
	}
	old, err := bus.PutGrant(c.Context(), cfg.Data, g)
	if err != nil {
		if seedFile != "" {
			_ = os.Remove(seedFile) // nobody knows this key
		}
		return err
	}
	if g.Key == "" {
		g.Key = old.Key
	}
	if f.asJSON {
		return writeJSON(c, struct {
			bus.Grant
			SeedFile string `json:"seed_file,omitempty"`
		}{g, seedFile})
	}
	return printGrant(c.OutOrStdout(), cfg, &g, old, seedFile)
}

// printServerConfig prints what an outside server's configuration needs, and beside it where to put it.
func printServerConfig(c *cobra.Command, g *bus.Grant, seedFile string) {
	fmt.Fprint(c.OutOrStdout(), g.ServerConfig())
	where := "among the users of the account " + bus.ShopAccount
	if g.Apart() {
		where = "among the accounts, not among the users of " + bus.ShopAccount
	}
	fmt.Fprintf(c.ErrOrStderr(), "put this %s (see deploy/nats/users.conf)\nthe private key is in %s; answers go to %s.>\n", where, seedFile, bus.InboxPrefix(g.Key))
}

// writeSeed writes a private key where nothing is yet, for its owner alone.
func writeSeed(path string, seed []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already and may be somebody's key; move it away, or name another file with --out", path)
	}
	if err != nil {
		return fmt.Errorf("private key: %w", err)
	}
	_, err = f.Write(append(seed, '\n'))
	if err := errors.Join(err, f.Close()); err != nil {
		_ = os.Remove(path)
		return fmt.Errorf("private key: %w", err)
	}
	return nil
}

// rights says in words what a grant allows.
func rights(g *bus.Grant) string {
	switch g.Role {
	case bus.RoleAdmin:
		return "everything"
	case bus.RoleWorker:
		return "judge readings and store records"
	case bus.RoleViewer:
		return "read records, readings, layouts and baselines"
	}
	t := "send readings"
	if g.Notes {
		t += " and notes"
	}
	t += " of " + g.Site + "/" + strings.Join(g.Printers, ", "+g.Site+"/")
	if g.Scans {
		t += "; fetch layouts, store pictures"
	}
	return t
}

func printGrant(w io.Writer, cfg *config, g, old *bus.Grant, seedFile string) error {
	fmt.Fprintf(w, "%s may: %s\n", g.Name, rights(g))
	switch {
	case old != nil && rights(old) != rights(g):
		fmt.Fprintf(w, "before, it could: %s\n", rights(old))
	case old != nil:
		fmt.Fprintln(w, "as before")
	}
	if seedFile == "" {
		fmt.Fprintln(w, "its key stays the same")
		return nil
	}
	fmt.Fprintf(w, "its private key is in %s: take it to the station, and keep it from others\n", seedFile)
	ep, err := bus.ReadEndpoint(cfg.Data)
	switch {
	case err != nil:
		fmt.Fprintln(w, "the worker does not run; it shows address and fingerprint when it starts")
	case ep.Fingerprint == "":
		fmt.Fprintln(w, "the worker listens on this machine only; start it with --listen 0.0.0.0:4222 to let stations in from elsewhere")
	default:
		address := ep.Address
		if host, err := os.Hostname(); err == nil {
			// Loopback stands where the worker listens on every address.
			address = strings.Replace(address, "//127.0.0.1:", "//"+host+":", 1)
		}
		fmt.Fprintf(w, "on the station:\n  swathkeeper watch --nats %s --nkey %s --tls-fingerprint %s DIR\n", address, filepath.Base(seedFile), ep.Fingerprint)
	}
	return nil
}

// errOutsideGrants is for whoever asks this machine's data folder about another bus: its answer would
// be of the wrong grants, and what it takes away still good.
var errOutsideGrants = usagef("grants are kept by the worker's own bus: do this where that worker runs, without --nats; on an outside bus they are in its server's configuration")

func newStationList() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "list",
		Short: "Who was granted what",
		Example: `  swathkeeper station list
  swathkeeper station list --json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if cfg.outside() {
				return errOutsideGrants
			}
			all, err := bus.ReadGrants(cfg.Data)
			if err != nil {
				return err
			}
			if asJSON {
				if all.Grants == nil {
					all.Grants = []bus.Grant{}
				}
				return writeJSON(c, all)
			}
			if len(all.Grants) == 0 {
				fmt.Fprintln(c.OutOrStdout(), "nobody yet; `swathkeeper station grant NAME --site SITE --printer PRINTER` gives a station its key")
				return nil
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "name\trole\tsince\tmay")
			for i := range all.Grants {
				g := &all.Grants[i]
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", g.Name, g.Role, g.Since.Local().Format(time.DateOnly), rights(g))
			}
			return w.Flush()
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print a JSON object")
	return c
}

func newStationRevoke() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "revoke NAME",
		Short:   "Take away what NAME was granted",
		Long:    "Take away what NAME was granted. A running worker ends its connections within about a\nsecond. What it has sent stays.",
		Example: "  swathkeeper station revoke bench-1",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if cfg.outside() {
				return errOutsideGrants
			}
			old, err := bus.RevokeGrant(c.Context(), cfg.Data, args[0])
			if errors.Is(err, bus.ErrNoGrant) {
				return fmt.Errorf("%w; `swathkeeper station list` shows who has what", err)
			}
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, &old)
			}
			fmt.Fprintf(c.OutOrStdout(), "%s may no longer: %s\n", old.Name, rights(&old))
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print a JSON object")
	return c
}
