package bus

import "strings"

// ExampleUsers gives the users of a NATS server's configuration, one of each role, made from the
// table of Permissions: deploy/nats/users.conf is this, and a test holds it to that. The keys are to be
// replaced by those that `station grant --server-config` gives.
func ExampleUsers() string {
	var b strings.Builder
	b.WriteString(`# Who may do what on a NATS server outside the worker. Made from the program's own table: do not
# change the lists, give each holder a user of its own instead:
#
#   swathkeeper station grant bench-1 --site quay --printer heron --server-config
#
# prints such a user with a new key. Replace each REPLACE-... below by the public half of a key; what
# stands behind _INBOX_ must be the same key.
users: [
`)
	for _, g := range []Grant{
		{Name: "ops", Role: RoleAdmin, Key: "REPLACE-WITH-THE-KEY-OF-OPS"},
		{Name: "judges", Role: RoleWorker, Key: "REPLACE-WITH-THE-KEY-OF-JUDGES"},
		{Name: "office", Role: RoleViewer, Key: "REPLACE-WITH-THE-KEY-OF-OFFICE"},
		{Name: "bench-1", Role: RoleStation, Key: "REPLACE-WITH-THE-KEY-OF-BENCH-1", Site: "quay", Printers: []string{"heron", "plover"}, Notes: true, Scans: true},
	} {
		b.WriteString(g.ServerConfig())
	}
	b.WriteString("]\n")
	return b.String()
}

// ServerAccounts is for now as it was.
func ServerAccounts(grants []Grant) string {
	var b strings.Builder
	for _, g := range grants {
		b.WriteString(g.ServerConfig())
	}
	return "authorization { users: [\n" + b.String() + "] }\n"
}
