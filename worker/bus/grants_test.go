package bus_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

// TestTornFiles says what to do about files of a data folder that a power cut left empty or torn.
func TestTornFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, text := range []string{"", "{", `{"address":"nats://127.0`, "{}"} {
		if err := os.WriteFile(filepath.Join(dir, bus.EndpointFile), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := bus.ReadEndpoint(dir); err == nil || !strings.Contains(err.Error(), "restart the worker") {
			t.Errorf("endpoint %q: %v", text, err)
		}
	}
	for _, text := range []string{"", "{", `{"grants":[{"na`} {
		if err := os.WriteFile(filepath.Join(dir, bus.GrantsFile), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := bus.ReadGrants(dir); err == nil || !strings.Contains(err.Error(), "bring the file back") {
			t.Errorf("grants %q: %v", text, err)
		}
	}
}

// Granting, changing and revoking reach a running server without a restart.
func TestGrantsTakeEffect(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	_, stranger, err := bus.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "stranger.nk")
	if err := os.WriteFile(file, stranger, 0o600); err != nil {
		t.Fatal(err)
	}
	from := s.log.len()
	if _, _, err := s.enter(t, file, nil); err == nil {
		t.Fatal("a stranger came in")
	}
	s.log.wait(t, from, "the stranger", func(m map[string]any) bool { return m["message"] == "denied" && m["tried"] == "connect" })

	seed := grant(t, s.dir, bus.Grant{Name: "bench-3", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}})
	nc, js, err := s.enter(t, seed, nil)
	if err != nil {
		t.Fatalf("a granted key: %v", err)
	}
	back := make(chan struct{}, 8)
	nc.SetReconnectHandler(func(*nats.Conn) { back <- struct{}{} })
	// Another printer is added: the connection comes back with the new rights.
	if old, err := bus.PutGrant(t.Context(), s.dir, bus.Grant{Name: "bench-3", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron", "dunlin"}}); err != nil || old == nil {
		t.Fatal(old, err)
	}
	<-back
	r := reading("dunlin")
	data, err := station.Pack(r)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := station.Publish(t.Context(), js, r, data); err != nil {
		t.Fatalf("the printer added: %v", err)
	}
	closed := make(chan struct{})
	nc.SetClosedHandler(func(*nats.Conn) { close(closed) })
	if _, err := bus.RevokeGrant(t.Context(), s.dir, "bench-3"); err != nil {
		t.Fatal(err)
	}
	select {
	case <-closed: // a client that is turned away twice gives up
	case <-time.After(time.Minute):
		t.Fatal("the revoked station is still connected")
	}
	if _, _, err := s.enter(t, seed, nil); err == nil {
		t.Error("a revoked key came in")
	}
	// A damaged file takes nothing away and lets nobody in.
	ok := grant(t, s.dir, bus.Grant{Name: "bench-4", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}})
	if _, _, err := s.enter(t, ok, nil); err != nil {
		t.Fatal(err)
	}
	from = s.log.len()
	if err := os.WriteFile(filepath.Join(s.dir, bus.GrantsFile), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.log.wait(t, from, "the damaged file", func(m map[string]any) bool { return strings.Contains(fmt.Sprint(m["message"]), "cannot be read") })
	if _, _, err := s.enter(t, ok, nil); err != nil {
		t.Errorf("after the damage: %v", err)
	}
}

// Beyond this machine: no grants, no listener; encrypted; the token is not taken from elsewhere.
func TestListenBeyond(t *testing.T) {
	t.Parallel()
	_, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: t.TempDir(), Listen: "0.0.0.0:0", MaxStore: 1 << 30, Log: zerolog.Nop()})
	if err == nil || !strings.Contains(err.Error(), "station grant") {
		t.Fatalf("without grants: %v", err)
	}
	var seed string
	s := openShop(t, "0.0.0.0:0", func(dir string) {
		seed = grant(t, dir, bus.Grant{Name: "bench-5", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}})
	})
	if len(s.bus.Endpoint.Fingerprint) != 95 {
		t.Fatalf("fingerprint %q", s.bus.Endpoint.Fingerprint)
	}
	_, js, err := s.enter(t, seed, nil)
	if err != nil {
		t.Fatal(err)
	}
	r := reading("heron")
	data, err := station.Pack(r)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := station.Publish(t.Context(), js, r, data); err != nil {
		t.Error(err)
	}
	// The endpoint's token works here, as an administrator.
	ep, err := bus.ReadEndpoint(s.dir)
	if err != nil {
		t.Fatal(err)
	}
	nc, ajs, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: "command", URL: ep.Address, Token: ep.Token, Fingerprint: ep.Fingerprint, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if _, err := ajs.Stream(t.Context(), protocol.StreamRecord); err != nil {
		t.Error(err)
	}
	// The certificate also serves those who trust it by file and name, and nobody without it.
	ca := filepath.Join(s.dir, bus.CertFile)
	byName, _, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: "by name", URL: ep.Address, NKey: seed, CA: ca, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	byName.Close()
	wrong := strings.Repeat("00:", 31) + "00"
	for what, o := range map[string]bus.ConnectOptions{
		"without trust":     {URL: ep.Address, NKey: seed},
		"wrong fingerprint": {URL: ep.Address, NKey: seed, Fingerprint: wrong},
		"unencrypted":       {URL: strings.Replace(ep.Address, "tls://", "nats://", 1), NKey: seed},
		"wrong token":       {URL: ep.Address, Token: "guess", Fingerprint: ep.Fingerprint},
		"nothing":           {URL: ep.Address, Fingerprint: ep.Fingerprint},
	} {
		o.Name, o.Log = "intruder", zerolog.Nop()
		nc, _, err := bus.Connect(t.Context(), o)
		if err == nil {
			nc.Close()
			t.Errorf("%s: came in", what)
			continue
		}
		// Who is turned away is told which flag is wanted.
		want := map[string]string{"without trust": "--tls-fingerprint", "unencrypted": "--tls-fingerprint", "nothing": "--nkey"}[what]
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want a word on %s", what, err, want)
		}
	}
}

// A station whose key is taken away knocks until it is granted again, and its log says so once, not
// at every knock.
func TestRevokedStationSaysSoOnce(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	seed := grant(t, s.dir, bus.Grant{Name: "bench-9", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}})
	own := newLogBook()
	nc, _, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: "bench-9", URL: s.bus.Endpoint.Address, NKey: seed, Patient: true, Log: zerolog.New(own)})
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	from := s.log.len()
	if _, err := bus.RevokeGrant(t.Context(), s.dir, "bench-9"); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		s.log.wait(t, from, "a knock", func(m map[string]any) bool { return m["message"] == "denied" && m["tried"] == "connect" })
		from = s.log.len()
	}
	n := 0
	for _, m := range own.all() {
		if strings.Contains(fmt.Sprint(m), "violation") {
			n++
		}
	}
	if n != 1 {
		t.Errorf("the station's log says %d times that it is not let in", n)
	}
}
