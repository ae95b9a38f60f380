package bus_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// holders are those who are not trusted, with every kind of right there is.
func holders() []bus.Grant {
	heron := []string{"heron"}
	return []bus.Grant{
		{Name: "bench-1", Role: bus.RoleStation, Site: "quay", Printers: heron},
		{Name: "bench-2", Role: bus.RoleStation, Site: "quay", Printers: heron, Notes: true},
		{Name: "bench-3", Role: bus.RoleStation, Site: "quay", Printers: heron, Scans: true},
		{Name: "bench-4", Role: bus.RoleStation, Site: "quay", Printers: heron, Notes: true, Scans: true},
		{Name: "office", Role: bus.RoleViewer},
	}
}

// place is a bus with its holders' keys.
type place struct {
	admin *nats.Conn
	js    jetstream.JetStream
	try   func(t *testing.T, name string) (*nats.Conn, jetstream.JetStream, error)
}

// enter connects somebody who must be let in.
func (p *place) enter(t *testing.T, name string) (*nats.Conn, jetstream.JetStream) {
	t.Helper()
	nc, js, err := p.try(t, name)
	if err != nil {
		t.Fatal(err)
	}
	return nc, js
}

// places are the worker's own bus, and a server outside that was set up by what we print for it.
func places() map[string]func(t *testing.T, grants []bus.Grant) *place {
	return map[string]func(t *testing.T, grants []bus.Grant) *place{"embedded": embeddedPlace, "outside": outsidePlace}
}

func embeddedPlace(t *testing.T, grants []bus.Grant) *place {
	t.Helper()
	s := openShop(t, "127.0.0.1:0", nil)
	seeds := map[string]string{}
	for _, g := range grants {
		seeds[g.Name] = grant(t, s.dir, g)
	}
	return &place{admin: s.conn, js: s.js, try: func(t *testing.T, name string) (*nats.Conn, jetstream.JetStream, error) {
		t.Helper()
		return s.enter(t, seeds[name], nil)
	}}
}

func outsidePlace(t *testing.T, grants []bus.Grant) *place {
	t.Helper()
	dir := t.TempDir()
	grants = append([]bus.Grant{{Name: "ops", Role: bus.RoleAdmin}, {Name: "judges", Role: bus.RoleWorker}}, grants...)
	seeds := map[string]string{}
	for i := range grants {
		key, seed, err := bus.NewKey()
		if err != nil {
			t.Fatal(err)
		}
		grants[i].Key = key
		seeds[grants[i].Name] = filepath.Join(dir, grants[i].Name+".nk")
		if err := os.WriteFile(seeds[grants[i].Name], seed, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	conf := filepath.Join(dir, "server.conf")
	text := fmt.Sprintf("listen: \"127.0.0.1:-1\"\njetstream { store_dir: %q }\n%s", filepath.Join(dir, "store"), bus.ServerAccounts(grants))
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := server.ProcessConfigFile(conf)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	o.NoSigs, o.NoLog = true, true
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(time.Minute) {
		t.Fatal("the server does not start")
	}
	p := &place{try: func(t *testing.T, name string) (*nats.Conn, jetstream.JetStream, error) {
		t.Helper()
		nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: name, URL: s.ClientURL(), NKey: seeds[name], Log: zerolog.Nop()})
		if err == nil {
			t.Cleanup(nc.Close)
		}
		return nc, js, err
	}}
	p.admin, p.js = p.enter(t, "ops")
	limits := bus.Limits{Inbox: 64 << 20, Record: 64 << 20, Baselines: 16 << 20, Scans: 16 << 20, Replicas: 1}
	if err := bus.Provision(t.Context(), p.js, limits); err != nil {
		t.Fatal(err)
	}
	return p
}

// forbidden are subjects to which none of the holders may send, and at which a message does harm.
var forbidden = []string{
	"$JS.API.STREAM.DELETE.SWK_INBOX", "$JS.API.STREAM.PURGE.SWK_RECORD", "$JS.API.STREAM.DELETE.KV_SWK_CHARTS", "$JS.API.CONSUMER.DELETE.SWK_INBOX.judge",
	"$JS.API.STREAM.PURGE.SWK_SCANS", "swk.reading.quay.dunlin", "swk.note.quay.dunlin", "swk.record.quay.dunlin.alert.-", "swk.row.quay.dunlin",
	"$KV.SWK_CHARTS.pennant-cmyk.-", "$KV.SWK_ACTIVE.quay.dunlin.0123456789ab", "$KV.SWK_SENT.night.x", "$O.SWK_BASELINES.M.x", "swk.scan.UOTHER.x.0",
	"_INBOX.another.1", "$JS.ACK.SWK_INBOX.judge.1.1.1.1.0",
}

// An answer is sent by the server, with the server's rights, to wherever the question says. So every
// question that a holder may ask is asked with every answer sent where the holder may not send, and
// with every way that there is to choose what the answer holds; nothing may come there. Workers and
// administrators are trusted and not tried.
func TestAnswersReachOnlyWhoAsked(t *testing.T) {
	t.Parallel()
	for where, open := range places() {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			p := open(t, holders())
			for _, subject := range []string{"$KV.SWK_CHARTS.a.b", "swk.record.quay.heron.verdict.-", "swk.reading.quay.heron", "$KV.SWK_ACTIVE.quay.heron.x"} {
				if _, err := p.js.Publish(t.Context(), subject, []byte(`{"a":1}`)); err != nil {
					t.Fatal(err)
				}
			}
			// A worker that says how it is doing.
			for _, subject := range []string{protocol.SubjectStatus, "$SRV.>"} {
				if _, err := p.admin.Subscribe(subject, func(m *nats.Msg) { _ = m.Respond([]byte("here")) }); err != nil {
					t.Fatal(err)
				}
			}
			var mu sync.Mutex
			var harm []string
			for _, subject := range forbidden {
				if _, err := p.admin.Subscribe(subject, func(m *nats.Msg) {
					mu.Lock()
					harm = append(harm, fmt.Sprintf("%s got %.60q", m.Subject, m.Data))
					mu.Unlock()
				}); err != nil {
					t.Fatal(err)
				}
			}
			if err := p.admin.Flush(); err != nil {
				t.Fatal(err)
			}
			for _, h := range holders() {
				nc, _ := p.enter(t, h.Name)
				h.Key = nc.Opts.Nkey
				asked := attack(t, nc, h)
				if err := p.admin.Flush(); err != nil {
					t.Fatal(err)
				}
				mu.Lock()
				if asked < len(forbidden) {
					t.Errorf("%s asked %d times", h.Name, asked)
				}
				slices.Sort(harm)
				if harm = slices.Compact(harm); len(harm) > 0 {
					t.Errorf("%s did harm in %d ways:\n%s", h.Name, len(harm), strings.Join(harm, "\n"))
				}
				harm = nil
				mu.Unlock()
				t.Logf("%s asked %d times", h.Name, asked)
			}
			if err := bus.Check(t.Context(), p.js); err != nil {
				t.Error(err)
			}
			for stream, subject := range map[string]string{
				protocol.StreamInbox: "swk.*.quay.dunlin", protocol.StreamRecord: "swk.record.quay.dunlin.>", "KV_" + protocol.BucketCharts: "$KV.SWK_CHARTS.pennant-cmyk.-",
				"KV_" + protocol.BucketActive: "$KV.SWK_ACTIVE.quay.dunlin.>", protocol.StreamScans: "swk.scan.UOTHER.>", "OBJ_" + protocol.BucketBaselines: "$O.SWK_BASELINES.M.x",
			} {
				s, err := p.js.Stream(t.Context(), stream)
				if err != nil {
					t.Error(err)
					continue
				}
				i, err := s.Info(t.Context(), jetstream.WithSubjectFilter(subject))
				if err != nil || len(i.State.Subjects) > 0 {
					t.Errorf("%s holds %v: %v", stream, i.State.Subjects, err)
				}
			}
		})
	}
}

// attack asks all that a holder may ask, and gives how often it asked. It returns when everything has
// had its answer.
func attack(t *testing.T, nc *nats.Conn, h bus.Grant) (asked int) {
	t.Helper()
	part := protocol.ScanSubject(h.Key, "x", "0")
	var last []*nats.Msg // one question for each subject, whose answer comes back
	for _, allowed := range h.Permissions().Publish.Allow {
		subject := strings.NewReplacer("swk.scan."+h.Key+".*.*", part, "$KV.SWK_CHARTS.>", "$KV.SWK_CHARTS.a.b", "$KV.SWK_ACTIVE.>", "$KV.SWK_ACTIVE.quay.heron.x",
			"$KV.SWK_SENT.>", "$KV.SWK_SENT.none", "CONSUMER.INFO.SWK_INBOX.*", "CONSUMER.INFO.SWK_INBOX.judge", "$SRV.*", "$SRV.PING").Replace(allowed)
		subject = strings.NewReplacer(".>", ".swk.record.quay.heron.verdict.-", "*", "x").Replace(subject)
		bodies := []string{"", `{"seq":99999999}`, `{"seq":1}`, `{"next_by_subj":">","batch":3,"seq":1}`, "+ACK"}
		if strings.Contains(allowed, "CONSUMER.CREATE") {
			// What a consumer delivers, it delivers where it was told to.
			stream := strings.Split(allowed, ".")[4]
			for _, to := range forbidden {
				b, err := json.Marshal(map[string]any{"stream_name": stream, "config": map[string]any{"name": "x", "deliver_subject": to, "ack_policy": "none", "filter_subject": strings.SplitN(allowed, ".*.", 2)[1]}})
				if err != nil {
					t.Fatal(err)
				}
				bodies = append(bodies, string(b))
			}
		}
		for _, to := range forbidden {
			for _, body := range bodies {
				if err := nc.PublishMsg(&nats.Msg{Subject: subject, Reply: to, Data: []byte(body)}); err != nil {
					t.Fatal(err)
				}
				// A trace is sent where its header says.
				traced := &nats.Msg{Subject: subject, Header: nats.Header{"Nats-Trace-Dest": {to}}, Data: []byte(body)}
				if err := nc.PublishMsg(traced); err != nil {
					t.Fatal(err)
				}
				asked += 2
			}
		}
		last = append(last, &nats.Msg{Subject: subject, Data: []byte(`{"seq":1}`)})
	}
	if h.Scans {
		// What it has stored itself, it can have sent.
		if _, err := nc.Request(protocol.ScanSubject(h.Key, "y", "0"), []byte(`{"forged":true}`), time.Minute); err != nil {
			t.Error(err)
		}
		for _, to := range forbidden {
			if err := nc.PublishRequest("$JS.API.DIRECT.GET."+protocol.StreamScans+"."+protocol.ScanSubject(h.Key, "y", "0"), to, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, m := range last {
		if m.Subject == "$SRV.x" || strings.HasPrefix(m.Subject, "$JS.FC.") {
			continue
		}
		answer, err := nc.RequestMsg(m, time.Minute)
		if err != nil {
			t.Errorf("%s asks %s: %v", h.Name, m.Subject, err)
		} else if strings.Contains(string(answer.Data), "not enabled") {
			t.Errorf("%s asks %s and somebody else answers: %s", h.Name, m.Subject, answer.Data)
		}
	}
	return asked
}
