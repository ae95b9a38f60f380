package bus_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

var update = flag.Bool("update", false, "write the files that are made from the code")

// The users file under deploy is what the table in the code makes.
func TestUsersFileIsTheTable(t *testing.T) {
	const path = "../../deploy/nats/users.conf"
	if *update {
		if err := os.WriteFile(path, []byte(bus.ExampleUsers()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(b) != bus.ExampleUsers() {
		t.Errorf("%s is not what the code makes; do `go test ./worker/bus -run UsersFile -update`", path)
	}
}

// The server's own parser reads the files under deploy, with real keys put in.
func TestServerFilesParse(t *testing.T) {
	dir := t.TempDir()
	keys := map[string]string{}
	users := bus.ExampleUsers()
	for _, name := range []string{"OPS", "JUDGES", "OFFICE", "BENCH-1"} {
		key, _, err := bus.NewKey()
		if err != nil {
			t.Fatal(err)
		}
		keys[name] = key
		users = strings.ReplaceAll(users, "REPLACE-WITH-THE-KEY-OF-"+name, key)
	}
	conf, err := os.ReadFile("../../deploy/nats/server.conf")
	if err != nil {
		t.Fatal(err)
	}
	// The certificates are the shop's: made here.
	cert, err := bus.ServerCert(dir, "", "", "127.0.0.1")
	if err != nil || len(cert.Certificate) == 0 {
		t.Fatal(err)
	}
	text := strings.NewReplacer("/etc/nats/tls/server.pem", filepath.Join(dir, bus.CertFile), "/etc/nats/tls/server-key.pem", filepath.Join(dir, bus.KeyFile),
		"/etc/nats/tls/ca.pem", filepath.Join(dir, bus.CertFile)).Replace(string(conf))
	for name, body := range map[string]string{"server.conf": text, "users.conf": users} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("SWK_SERVER", "bus-2")
	o, err := server.ProcessConfigFile(filepath.Join(dir, "server.conf"))
	if err != nil {
		t.Fatal(err)
	}
	if o.ServerName != "bus-2" || !o.SyncAlways || !o.JetStream || o.TLSConfig == nil || o.Cluster.TLSConfig == nil || len(o.Routes) != 3 || len(o.Nkeys) != 4 {
		t.Errorf("server %q, sync always %v, %d routes, %d users", o.ServerName, o.SyncAlways, len(o.Routes), len(o.Nkeys))
	}
	if need := 4 * bus.DefaultLimits().Total() / 4; o.JetStreamMaxStore < need {
		t.Errorf("max_file_store %d is less than the %d that init reserves", o.JetStreamMaxStore, need)
	}
	for _, u := range o.Nkeys {
		var want *server.Permissions
		switch u.Nkey {
		case keys["OPS"]:
		case keys["JUDGES"]:
			want = (&bus.Grant{Role: bus.RoleWorker, Key: u.Nkey}).Permissions()
		case keys["OFFICE"]:
			want = (&bus.Grant{Role: bus.RoleViewer, Key: u.Nkey}).Permissions()
		case keys["BENCH-1"]:
			want = (&bus.Grant{Role: bus.RoleStation, Key: u.Nkey, Site: "quay", Printers: []string{"heron", "plover"}, Notes: true, Scans: true}).Permissions()
		default:
			t.Errorf("user %s", u.Nkey)
		}
		if (u.Permissions == nil) != (want == nil) || want != nil && (!same(u.Permissions.Publish.Allow, want.Publish.Allow) || !same(u.Permissions.Subscribe.Allow, want.Subscribe.Allow)) {
			t.Errorf("%s may %+v, want %+v", u.Nkey, u.Permissions, want)
		}
	}
}

// same compares what is allowed, whatever the order: a key within a subject decides where it sorts.
func same(a, b []string) bool {
	set := func(l []string) map[string]bool {
		m := map[string]bool{}
		for _, s := range l {
			m[s] = true
		}
		return m
	}
	return reflect.DeepEqual(set(a), set(b))
}

// TestEveryRoleEveryOperation reads the table in deploy/SECURITY.md and tries each of its operations
// as each role on a real server: what the document says is allowed must be, and the rest denied.
func TestEveryRoleEveryOperation(t *testing.T) {
	t.Parallel()
	rows := operations(t)
	if len(rows) < 40 {
		t.Fatalf("only %d operations in the table", len(rows))
	}
	s := openShop(t, "127.0.0.1:0", nil)
	keys, public := map[bus.Role]string{}, map[bus.Role]string{}
	for _, g := range []bus.Grant{
		{Name: "bench-1", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}},
		{Name: "judges", Role: bus.RoleWorker}, {Name: "office", Role: bus.RoleViewer}, {Name: "ops", Role: bus.RoleAdmin},
	} {
		keys[g.Role] = grant(t, s.dir, g)
	}
	all, err := bus.ReadGrants(s.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range all.Grants {
		public[g.Role] = g.Key
	}
	cells := 0
	for _, role := range []bus.Role{bus.RoleStation, bus.RoleWorker, bus.RoleViewer, bus.RoleAdmin} {
		nc, _, err := s.enter(t, keys[role], nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			subject := strings.ReplaceAll(r.subject, "KEY", public[role])
			switch r.verb {
			case "publish":
				// Without an answer wanted, and with a body that no request takes: the right is tried, and
				// nothing is done.
				err = nc.Publish(subject, []byte("-"))
			case "listen":
				_, err = nc.SubscribeSync(subject)
			default:
				t.Fatalf("%q: neither publish nor listen", r.verb)
			}
			if err != nil {
				t.Fatal(err)
			}
			if err := nc.FlushTimeout(time.Minute); err != nil {
				t.Fatal(err)
			}
			// The server's complaint comes before its answer to the flush.
			word := map[string]string{"publish": "Publish", "listen": "Subscription"}[r.verb]
			denied := nc.LastError() != nil && strings.Contains(nc.LastError().Error(), fmt.Sprintf("%s to %q", word, subject))
			if want := r.allowed[role]; want == denied {
				t.Errorf("%s, %s (%s %s): denied is %v, the document says allowed is %v", role, r.name, r.verb, subject, denied, want)
			}
			cells++
		}
	}
	t.Logf("%d operations, %d cells", len(rows), cells)
	if _, err := s.js.Stream(t.Context(), protocol.StreamInbox); err != nil {
		t.Errorf("the try was more than a try: %v", err)
	}
}

type operation struct {
	name, verb, subject string
	allowed             map[bus.Role]bool
}

// operations reads the table between the markers of the document.
func operations(t *testing.T) []operation {
	t.Helper()
	b, err := os.ReadFile("../../deploy/SECURITY.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(b), "<!-- operations -->")
	table, _, ok2 := strings.Cut(rest, "<!-- /operations -->")
	if !ok || !ok2 {
		t.Fatal("deploy/SECURITY.md has no table of operations")
	}
	var out []operation
	for _, line := range strings.Split(strings.TrimSpace(table), "\n")[2:] {
		c := strings.Split(strings.Trim(line, "| "), "|")
		if len(c) != 6 {
			t.Fatalf("%d columns: %s", len(c), line)
		}
		for i := range c {
			c[i] = strings.TrimSpace(c[i])
		}
		verb, subject, _ := strings.Cut(strings.Trim(c[1], "`"), " ")
		o := operation{name: c[0], verb: verb, subject: subject, allowed: map[bus.Role]bool{}}
		for i, role := range []bus.Role{bus.RoleStation, bus.RoleWorker, bus.RoleViewer, bus.RoleAdmin} {
			switch c[2+i] {
			case "yes":
				o.allowed[role] = true
			case "no":
			default:
				t.Fatalf("%q is neither yes nor no: %s", c[2+i], line)
			}
		}
		out = append(out, o)
	}
	return out
}
