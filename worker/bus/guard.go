package bus

import (
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"
	"github.com/rs/zerolog"
)

// guard decides who may connect to the embedded server and as what: the bearer of the endpoint's
// token, on this machine, as an administrator, and the holders of granted keys. It follows the
// grants file, so that granting and revoking need no restart.
type guard struct {
	dir   string
	token string
	host  string // where the server listens; connections from there are this machine's
	log   zerolog.Logger

	mu      sync.Mutex
	seen    os.FileInfo // the grants file as last read; nil: there was none
	grants  map[string]*Grant
	holders map[uint64]holder // by the server's number of the connection
	kick    func(uint64) error
	present func(uint64) bool
	srv     *server.Server
	apart   map[string]*server.Account // of srv, by name; those that are furnished

	few few // lines of the log about each

	quit chan struct{}
	done chan struct{}
}

// holder is who stands behind a connection.
type holder struct {
	who, from string
	grant     *Grant // nil: the token's bearer
}

// Bounds of what one connection and one holder of a key may have of the server's memory: a stolen key
// must not end the worker. What a connection has not taken yet is held for it up to pendingAtMost.
const (
	connectionsEach = 16   // of one holder: its programs, and those that the server has not missed yet
	listensEach     = 512  // of one connection
	connectionsAll  = 1024 // of all, with strangers who have not shown a key yet
	pendingAtMost   = 8 << 20
)

// RecordsAhead is how many records a consumer may be asked for at a time: the largest hold a refused input,
// and so many of them must be less than what the server holds for one connection.
const RecordsAhead = 64

// followGrants is how often the grants file is looked at for what was taken away; a new grant is
// seen at once, when its holder first connects.
const followGrants = time.Second

func newGuard(dir, token, host string, log zerolog.Logger) (*guard, error) {
	g := &guard{dir: dir, token: token, host: host, log: log, holders: map[uint64]holder{}, quit: make(chan struct{}), done: make(chan struct{})}
	if err := g.read(); err != nil {
		return nil, err
	}
	return g, nil
}

// follow ends the connections of those whose grant was changed or revoked, until stop. A server that
// takes the place of another is followed in its stead. It must be called before the server is started:
// until then there is nobody to let in.
func (g *guard) follow(s *server.Server) error {
	g.mu.Lock()
	if err := openDoors(s.GlobalAccount()); err != nil {
		g.mu.Unlock()
		return fmt.Errorf("embedded bus: %w", err)
	}
	g.srv, g.apart = s, map[string]*server.Account{}
	first := g.kick == nil
	if !first {
		clear(g.holders) // connections are counted anew
	}
	g.kick = s.DisconnectClientByID
	g.present = func(id uint64) bool { return s.GetClient(id) != nil }
	g.mu.Unlock()
	if !first {
		return nil
	}
	go func() {
		defer close(g.done)
		t := time.NewTicker(followGrants)
		defer t.Stop()
		for {
			select {
			case <-g.quit:
				return
			case <-t.C:
				g.look()
				g.sumUp(time.Now())
			}
		}
	}()
	return nil
}

func (g *guard) stop() {
	close(g.quit)
	g.mu.Lock()
	started := g.kick != nil
	g.mu.Unlock()
	if started {
		<-g.done
	}
	g.sumUp(time.Now().Add(fewWaits))
}

// sumUp says how much was left out of the log.
func (g *guard) sumUp(now time.Time) {
	for who, n := range g.few.left(now) {
		g.log.Warn().Str("who", who).Int("times", n).Msg("denied or refused, and not logged one by one; if it goes on, see who that is, and revoke its key by `swathkeeper station revoke`")
	}
}

// read reads the grants file when it is another than before. What is damaged changes nothing: the
// grants that were read last stay in force.
func (g *guard) read() error {
	st, err := os.Stat(filepath.Join(g.dir, GrantsFile))
	switch {
	case err != nil && !os.IsNotExist(err):
		return fmt.Errorf("grants: %w", err)
	case err != nil:
		st = nil
	case g.seen != nil && os.SameFile(st, g.seen) && st.ModTime().Equal(g.seen.ModTime()) && st.Size() == g.seen.Size():
		return nil
	}
	if st == nil && g.seen == nil && g.grants != nil {
		return nil
	}
	g.seen = st // a damaged file is complained of once
	all, err := ReadGrants(g.dir)
	if err != nil {
		return err
	}
	g.grants = make(map[string]*Grant, len(all.Grants))
	for i := range all.Grants {
		g.grants[all.Grants[i].Key] = &all.Grants[i]
	}
	return nil
}

// look follows changes of the grants and forgets connections that are gone.
func (g *guard) look() {
	g.mu.Lock()
	if err := g.read(); err != nil {
		g.log.Error().Err(err).Msg("the grants cannot be read; those read before stay in force")
	}
	var gone []uint64
	for id, h := range g.holders {
		switch {
		case !g.present(id):
			delete(g.holders, id)
		case h.grant != nil && !sameRights(g.grants[h.grant.Key], h.grant):
			gone = append(gone, id)
			g.log.Info().Str("who", h.who).Str("from", h.from).Msg("its grant was changed or revoked; its connection is ended")
			delete(g.holders, id)
		}
	}
	kick := g.kick
	g.mu.Unlock()
	for _, id := range gone {
		_ = kick(id) // it may have gone by itself
	}
}

func sameRights(a, b *Grant) bool {
	if a == nil {
		return false
	}
	x, y := *a, *b
	x.Since, y.Since = time.Time{}, time.Time{}
	return reflect.DeepEqual(x, y)
}

// Check implements server.Authentication.
func (g *guard) Check(c server.ClientAuthentication) bool {
	o := c.GetOpts()
	from := "this process"
	if a := c.RemoteAddress(); a != nil && a.Network() != "pipe" {
		from = a.String()
	}
	refuse := func(who, why string) bool {
		if !g.few.allow(hostOf(from), time.Now()) {
			return false
		}
		g.log.Warn().Str("who", who).Str("from", from).Str("tried", "connect").Str("why", why).Msg("denied")
		return false
	}
	if o.Nkey == "" {
		switch {
		case o.Token == "" || subtle.ConstantTimeCompare([]byte(o.Token), []byte(g.token)) != 1:
			return refuse("unknown", "it has neither a granted key nor this worker's token")
		case !g.here(c.RemoteAddress()):
			return refuse("bearer of the token", "the token is for this machine alone; grant a key")
		}
		g.mu.Lock()
		g.holders[c.GetID()] = holder{who: "this machine", from: from}
		g.mu.Unlock()
		c.RegisterUser(&server.User{Username: "this machine"})
		return true
	}
	if why := badSignature(o.Nkey, o.Sig, c.GetNonce()); why != "" {
		return refuse(clipKey(o.Nkey), why)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.read(); err != nil {
		g.log.Error().Err(err).Msg("the grants cannot be read; those read before stay in force")
	}
	grant := g.grants[o.Nkey]
	if grant == nil {
		return refuse(clipKey(o.Nkey), "nothing is granted to this key, or it was revoked")
	}
	if g.connections(grant.Key) >= connectionsEach {
		return refuse(grant.Name, fmt.Sprintf("it has %d connections already; end some, or grant each machine a key of its own", connectionsEach))
	}
	user := &server.User{Username: grant.Name, Permissions: grant.Permissions()}
	if grant.Apart() {
		var err error
		if user.Account, err = g.account(grant); err != nil {
			g.log.Error().Err(err).Str("who", grant.Name).Msg("its account cannot be made; it is not let in")
			return false
		}
	}
	g.holders[c.GetID()] = holder{who: grant.Name, from: from, grant: grant}
	c.RegisterUser(user)
	return true
}

// connections counts those of a key that are still there. The lock must be held.
func (g *guard) connections(key string) int {
	n := 0
	for id, h := range g.holders {
		if h.grant == nil || h.grant.Key != key {
			continue
		}
		if !g.present(id) {
			delete(g.holders, id)
			continue
		}
		n++
	}
	return n
}

// account gives the account of somebody who is not to share one. The lock must be held.
func (g *guard) account(grant *Grant) (*server.Account, error) {
	name := accountName(grant)
	if own := g.apart[name]; own != nil {
		return own, nil
	}
	own, _ := g.srv.LookupOrRegisterAccount(name)
	if err := furnish(own, g.srv.GlobalAccount(), grant); err != nil {
		return nil, err
	}
	g.apart[name] = own
	return own, nil
}

// here says whether a connection comes from this machine: the token in the endpoint's file is
// meant for it alone.
func (g *guard) here(a net.Addr) bool {
	tcp, ok := a.(*net.TCPAddr)
	if !ok {
		return a == nil || a.Network() == "pipe"
	}
	return tcp.IP.IsLoopback() || tcp.IP.Equal(net.ParseIP(g.host))
}

func badSignature(key, sig string, nonce []byte) string {
	if sig == "" || len(nonce) == 0 {
		return "its key came without a signature"
	}
	raw, err := base64.RawURLEncoding.DecodeString(sig)
	if err != nil {
		if raw, err = base64.StdEncoding.DecodeString(sig); err != nil {
			return "its signature is not base64"
		}
	}
	pub, err := nkeys.FromPublicKey(key)
	if err != nil {
		return "its key is not an nkey"
	}
	if err := pub.Verify(nonce, raw); err != nil {
		return "its signature does not belong to its key"
	}
	return ""
}

// clipKey keeps what a stranger sends from filling the log.
func clipKey(s string) string {
	if len(s) > 64 {
		s = s[:64]
	}
	return strings.ToValidUTF8(s, "?")
}

// ofClient is how the server's log tells of anything that a client brought about.
var ofClient = regexp.MustCompile(`^(\S+) - cid:\d+ `)

// seldom says whether what the server tells of a client is to be logged, and as what.
func (g *guard) seldom(text string) (string, bool) {
	m := ofClient.FindStringSubmatch(text)
	if m == nil {
		return text, true
	}
	return clipped(text), g.few.allow(hostOf(m[1]), time.Now())
}

// hostOf leaves out the port, which is another at each try.
func hostOf(address string) string {
	if host, _, err := net.SplitHostPort(address); err == nil {
		return host
	}
	return address
}

// violation is how the server's log tells of a denied operation; the number of the connection
// stands first, before anything that a client chose.
var violation = regexp.MustCompile(`^\S+ - cid:(\d+) .*?(Publish|Subscription) Violation - (Subject|Reply) "([^"]*)"`)

// denied turns the server's message of a denied operation into one that says who tried what.
func (g *guard) denied(text string) bool {
	m := violation.FindStringSubmatch(text)
	if m == nil {
		return false
	}
	id, _ := strconv.ParseUint(m[1], 10, 64)
	g.mu.Lock()
	h, ok := g.holders[id]
	g.mu.Unlock()
	if !ok {
		h = holder{who: "unknown", from: "connection " + m[1]}
	}
	if !g.few.allow(h.who, time.Now()) {
		return true
	}
	e := g.log.Warn().Str("who", h.who).Str("from", h.from)
	if h.grant != nil {
		e = e.Str("role", string(h.grant.Role))
	}
	what, subject := clipped(describe(m[4])), clipped(m[4])
	switch {
	case m[2] == "Subscription":
		what = "listen to " + subject
	case m[3] == "Reply":
		what = "have an answer sent to " + subject
	}
	e.Str("tried", what).Str("subject", subject).Msg("denied")
	return true
}

// describe says in words what publishing on a subject would have done.
func describe(subject string) string {
	t := strings.Split(subject, ".")
	at := func(i int) string {
		if i < len(t) {
			return t[i]
		}
		return "?"
	}
	switch {
	case strings.HasPrefix(subject, "swk.reading."):
		return "send a reading of " + at(2) + "/" + at(3)
	case strings.HasPrefix(subject, "swk.note."):
		return "send a note about " + at(2) + "/" + at(3)
	case strings.HasPrefix(subject, "swk.record."):
		return "store a record of " + at(2) + "/" + at(3)
	case strings.HasPrefix(subject, "swk.scan."):
		return "store a picture of " + at(2)
	case strings.HasPrefix(subject, "swk.row."):
		return "store a row of " + at(2) + "/" + at(3)
	case strings.HasPrefix(subject, "$JS.ACK."):
		return "acknowledge a message of " + at(2)
	case strings.HasPrefix(subject, "$JS.API.DIRECT.GET."):
		return "read from " + at(4)
	case strings.HasPrefix(subject, "$JS.API.CONSUMER.MSG.NEXT."):
		return "take messages of consumer " + at(6) + " of " + at(5)
	case strings.HasPrefix(subject, "$JS.API.CONSUMER.DURABLE.CREATE."):
		return "create a consumer of " + at(5)
	case strings.HasPrefix(subject, "$JS.API.CONSUMER."):
		return strings.ToLower(at(3)) + " a consumer of " + at(4)
	case strings.HasPrefix(subject, "$JS.API.STREAM.MSG."):
		return strings.ToLower(at(4)) + " a message of " + at(5)
	case strings.HasPrefix(subject, "$JS.API.STREAM."):
		return strings.ToLower(at(3)) + " stream " + at(4)
	case strings.HasPrefix(subject, "$JS.API."):
		return "ask the store: " + strings.ToLower(strings.Join(t[2:], " "))
	case strings.HasPrefix(subject, "$KV."):
		return "change " + at(1)
	case strings.HasPrefix(subject, "$O."):
		return "put an object into " + at(1)
	}
	return "publish on " + subject
}

var _ server.Authentication = (*guard)(nil)
