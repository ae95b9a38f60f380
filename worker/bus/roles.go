package bus

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"swathkeeper/protocol"
)

// Role says what kind of work somebody's credentials are for.
type Role string

// Roles. The table of what each may do is Permissions, and nowhere else.
const (
	RoleStation Role = "station" // sends readings of the printers it was granted
	RoleWorker  Role = "worker"  // judges, on a bus outside its own process
	RoleViewer  Role = "viewer"  // reads records, the readings behind them, layouts and baselines
	RoleAdmin   Role = "admin"   // everything
)

// Roles lists every role.
func Roles() []Role { return []Role{RoleStation, RoleWorker, RoleViewer, RoleAdmin} }

// Grant is what one holder of credentials may do. The private half of the key is with its holder
// alone.
type Grant struct {
	// Name is a token by which people and the log know the holder.
	Name string `json:"name"`
	Role Role   `json:"role"`
	// Key is the public half of an nkey, beginning with U.
	Key string `json:"key"`
	// Site and Printers are those whose readings a station may send.
	Site     string   `json:"site,omitzero"`
	Printers []string `json:"printers,omitempty"`
	// Notes lets a station also send notes about its printers: journal entries, baseline, hold.
	Notes bool `json:"notes,omitzero"`
	// Scans lets a station also fetch chart layouts and store pictures.
	Scans bool `json:"scans,omitzero"`
	// Since is when it was granted or last changed.
	Since time.Time `json:"since"`
}

// Validate checks that the grant names what its role needs.
func (g *Grant) Validate() error {
	if !protocol.IsToken(g.Name) {
		return fmt.Errorf("name %q: names are 1 to %d of a-z, 0-9 and -, and do not begin with -", g.Name, protocol.MaxToken)
	}
	if !slices.Contains(Roles(), g.Role) {
		return fmt.Errorf("%s: role %q is none of station, worker, viewer, admin", g.Name, g.Role)
	}
	if g.Role != RoleStation {
		if g.Site != "" || len(g.Printers) > 0 || g.Notes || g.Scans {
			return fmt.Errorf("%s: site, printers, notes and scans belong to the role station, not to %s", g.Name, g.Role)
		}
		return nil
	}
	if !protocol.IsToken(g.Site) {
		return fmt.Errorf("%s: a station needs its site", g.Name)
	}
	if len(g.Printers) == 0 {
		return fmt.Errorf("%s: a station needs at least one printer", g.Name)
	}
	for _, p := range g.Printers {
		if !protocol.IsToken(p) {
			return fmt.Errorf("%s: printer %q: names are 1 to %d of a-z, 0-9 and -, and do not begin with -", g.Name, p, protocol.MaxToken)
		}
	}
	return nil
}

// InboxPrefix is where the holder of a public key takes answers: nobody can listen to those of
// another. Every client with an nkey must use it instead of the usual _INBOX.
func InboxPrefix(key string) string { return "_INBOX_" + key }

// Permissions is the table of what each role may do; nil means everything. What is not allowed is
// denied.
//
// A station can neither read what it or others have sent nor ask the store anything: an
// acknowledgement with the place in the stream is all that comes back. Pictures it stores under
// subjects that hold its own key, each of which takes one message and no second: it can neither
// replace nor remove one, its own as little as another's.
//
// A viewer reads by direct gets and has no consumer of anything: the right to create one would be the
// right to change chat's, which are on the same stream, since a name cannot be granted by its
// beginning; and a consumer delivers to whatever subject it is told.
//
// What a station or a viewer may publish, it may only ask from an account of its own, see Apart.
func (g *Grant) Permissions() *server.Permissions {
	var pub []string
	listen := []string{InboxPrefix(g.Key) + ".>"}
	switch g.Role {
	case RoleAdmin:
		return nil
	case RoleStation:
		for _, p := range g.Printers {
			pub = append(pub, protocol.ReadingSubject(g.Site, p))
			if g.Notes {
				pub = append(pub, protocol.NoteSubject(g.Site, p))
			}
		}
		if g.Scans {
			pub = append(pub, readValues(protocol.BucketCharts)...)
			own := protocol.ScanSubject(g.Key, "*", "*")
			pub = append(pub, own, "$JS.API.STREAM.INFO."+protocol.StreamScans, "$JS.API.DIRECT.GET."+protocol.StreamScans+"."+own)
		}
	case RoleWorker:
		pub = append(pub, "$JS.API.INFO", "swk.record.>", protocol.SubjectRows, "$SRV.PING.swathkeeper", "$JS.API.STREAM.PURGE."+protocol.StreamRows)
		// The worker alone removes what is older than it is kept.
		pub = append(pub, "$JS.API.STREAM.PURGE."+protocol.StreamInbox, "$JS.API.STREAM.PURGE."+protocol.StreamRecord, "$JS.API.STREAM.PURGE."+protocol.StreamScans)
		// What it decides by it reads from the leader.
		pub = append(pub, "$JS.API.STREAM.MSG.GET."+protocol.StreamInbox, "$JS.API.STREAM.MSG.GET."+protocol.StreamRecord, "$JS.API.STREAM.MSG.GET.KV_"+protocol.BucketCharts)
		// The inbox may be divided into parts, each with a consumer.
		pub = append(pub, bindConsumer(protocol.StreamInbox, "*")...)
		for _, s := range []string{protocol.StreamInbox, protocol.StreamRecord, protocol.StreamRows} {
			pub = append(pub, readStream(s)...)
		}
		// Every chat target is a durable of its own, made when it is first named.
		pub = append(pub, "$JS.API.CONSUMER.CREATE."+protocol.StreamRecord+".>")
		pub = append(pub, bindConsumer(protocol.StreamRecord, "*")...)
		for _, b := range []string{protocol.BucketCharts, protocol.BucketActive, protocol.BucketSent} {
			pub = append(pub, readValues(b)...)
		}
		pub = append(pub, "$KV."+protocol.BucketActive+".>", "$KV."+protocol.BucketSent+".>")
		// What quiet hours held back is listed in the morning.
		pub = append(pub, listValues(protocol.BucketSent)...)
		pub = append(pub, "$JS.API.DIRECT.GET.KV_"+protocol.BucketSent)
		pub = append(pub, readStream(protocol.StreamScans)...)
		pub = append(pub, readObjects(protocol.BucketBaselines)...)
		pub = append(pub, readStream("OBJ_"+protocol.BucketBaselines)...)
		pub = append(pub, putObjects(protocol.BucketBaselines)...)
	case RoleViewer:
		listen = append(listen, g.hears()...)
		// A verdict's chart is drawn from its reading.
		pub = append(pub, readStream(protocol.StreamInbox)...)
		pub = append(pub, "$JS.API.CONSUMER.INFO."+protocol.StreamInbox+".*")
		// Asking the workers how they are doing.
		pub = append(pub, protocol.SubjectStatus, "$SRV.*", "$SRV.*.swathkeeper", "$SRV.*.swathkeeper.*")
		pub = append(pub, readStream(protocol.StreamRecord)...)
		pub = append(pub, readStream(protocol.StreamRows)...)
		pub = append(pub, readStream(protocol.StreamScans)...)
		for _, b := range []string{protocol.BucketCharts, protocol.BucketActive, protocol.BucketSent} {
			pub = append(pub, readStream("KV_"+b)...)
		}
		pub = append(pub, readStream("OBJ_"+protocol.BucketBaselines)...)
	}
	slices.Sort(pub)
	perms := &server.Permissions{
		Publish:   &server.SubjectPermission{Allow: slices.Compact(pub)},
		Subscribe: &server.SubjectPermission{Allow: listen},
	}
	if g.Role == RoleWorker {
		// A worker answers who asks how it is doing, once each.
		perms.Subscribe.Allow = append(perms.Subscribe.Allow, protocol.SubjectStatus, "$SRV.*", "$SRV.*.swathkeeper", "$SRV.*.swathkeeper.*")
		perms.Response = &server.ResponsePermission{MaxMsgs: 1, Expires: answerWithin}
	}
	return perms
}

// answerWithin is for how long a worker may answer a question.
const answerWithin = time.Minute

// readStream allows reading messages by sequence or subject, and how much there is.
func readStream(stream string) []string {
	return []string{"$JS.API.STREAM.INFO." + stream, "$JS.API.DIRECT.GET." + stream, "$JS.API.DIRECT.GET." + stream + ".>"}
}

// bindConsumer allows using a consumer that exists, and giving up one's place at it.
func bindConsumer(stream, name string) []string {
	return []string{"$JS.API.CONSUMER.INFO." + stream + "." + name, "$JS.API.CONSUMER.MSG.NEXT." + stream + "." + name, "$JS.API.CONSUMER.UNPIN." + stream + "." + name, "$JS.ACK." + stream + "." + name + ".>"}
}

// readValues allows reading a key-value store by key.
func readValues(bucket string) []string {
	return []string{"$JS.API.STREAM.INFO.KV_" + bucket, "$JS.API.DIRECT.GET.KV_" + bucket + ".$KV." + bucket + ".>"}
}

// listValues allows going through the keys of a key-value store, by a consumer of its own.
func listValues(bucket string) []string {
	return []string{"$JS.API.CONSUMER.CREATE.KV_" + bucket + ".*.$KV." + bucket + ".>", "$JS.API.CONSUMER.DELETE.KV_" + bucket + ".*", "$JS.FC.KV_" + bucket + ".>"}
}

// readObjects allows reading an object store: an object is delivered by a consumer of its own.
func readObjects(bucket string) []string {
	return []string{
		"$JS.API.STREAM.INFO.OBJ_" + bucket, "$JS.API.DIRECT.GET.OBJ_" + bucket + ".$O." + bucket + ".M.>",
		"$JS.API.CONSUMER.CREATE.OBJ_" + bucket + ".*.$O." + bucket + ".C.>", "$JS.API.CONSUMER.DELETE.OBJ_" + bucket + ".*", "$JS.FC.OBJ_" + bucket + ".>",
	}
}

// putObjects allows adding to an object store, but not purging what is there.
func putObjects(bucket string) []string {
	return []string{
		"$JS.API.STREAM.INFO.OBJ_" + bucket, "$JS.API.DIRECT.GET.OBJ_" + bucket + ".$O." + bucket + ".M.>",
		"$O." + bucket + ".C.>", "$O." + bucket + ".M.>",
	}
}

// ServerConfig gives the grant as an entry of a NATS server's configuration, for a bus outside the
// worker's process: the account of a station or viewer, to stand among the accounts, or the user of a
// worker or administrator, to stand among those of ShopAccount.
func (g *Grant) ServerConfig() string {
	p := g.Permissions()
	if p == nil {
		return fmt.Sprintf("{ nkey: %s } # %s, %s\n", g.Key, g.Name, g.Role)
	}
	quoted := func(list []string) string {
		var b strings.Builder
		for _, s := range list {
			fmt.Fprintf(&b, "      %q\n", s)
		}
		return b.String()
	}
	answers := ""
	if p.Response != nil {
		answers = fmt.Sprintf("    allow_responses: { max: %d, expires: %q }\n", p.Response.MaxMsgs, p.Response.Expires)
	}
	user := fmt.Sprintf("{ nkey: %s, permissions: { # %s, %s\n    publish: [\n%s    ]\n    subscribe: [\n%s    ]\n%s} }\n",
		g.Key, g.Name, g.Role, quoted(p.Publish.Allow), quoted(p.Subscribe.Allow), answers)
	if !g.Apart() {
		return user
	}
	return fmt.Sprintf("%q: {\n  limits: { max_connections: %d, max_subscriptions: %d }\n  users: [\n%s  ]\n  imports: [\n%s  ]\n}\n",
		g.Name, connectionsEach, listensEach, user, g.imports())
}
