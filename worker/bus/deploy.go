package bus

// ExampleUsers gives the users of a NATS server's configuration, one of each role, made from the
// table of Permissions: deploy/nats/users.conf is this, and a test holds it to that. The keys are to be
// replaced by those that `station grant --server-config` gives.
func ExampleUsers() string {
	return `# Who may do what on a NATS server outside the worker. Made from the program's own table: do not
# change the lists, give each holder an entry of its own instead:
#
#   swathkeeper station grant bench-1 --site quay --printer heron --server-config
#
# prints such an entry with a new key: an account for a station or a viewer, a user of the account
# SWATHKEEPER for a worker or an administrator. Never put a station or a viewer into the account
# SWATHKEEPER: a server sends answers to wherever the question says, and from within that account it
# would be anywhere. Replace each REPLACE-... below by the public half of a key; what stands behind
# _INBOX_ must be the same key.
` + ServerAccounts([]Grant{
		{Name: "ops", Role: RoleAdmin, Key: "REPLACE-WITH-THE-KEY-OF-OPS"},
		{Name: "judges", Role: RoleWorker, Key: "REPLACE-WITH-THE-KEY-OF-JUDGES"},
		{Name: "office", Role: RoleViewer, Key: "REPLACE-WITH-THE-KEY-OF-OFFICE"},
		{Name: "bench-1", Role: RoleStation, Key: "REPLACE-WITH-THE-KEY-OF-BENCH-1", Site: "quay", Printers: []string{"heron", "plover"}, Notes: true, Scans: true},
	})
}
