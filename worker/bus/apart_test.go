package bus_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/history"
	"swathkeeper/worker/station"
)

// Who lives apart from the streams can still do all that it is for.
func TestHoldersApartDoTheirWork(t *testing.T) {
	t.Parallel()
	for where, open := range places() {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			p := open(t, holders())
			stationApart(t, p)
			viewerApart(t, p)
		})
	}
}

// stationApart sends a reading, a note and a picture, and fetches a layout.
func stationApart(t *testing.T, p *place) {
	t.Helper()
	chart, err := os.ReadFile("../../testdata/messages/chart.json")
	if err != nil {
		t.Fatal(err)
	}
	c, err := protocol.DecodeChart(chart)
	if err != nil {
		t.Fatal(err)
	}
	stores, err := bus.OpenStores(t.Context(), p.js)
	if err != nil {
		t.Fatal(err)
	}
	defer stores.Close()
	if err := stores.PutChart(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	_, js := p.enter(t, "bench-4")
	r := reading("heron")
	data, err := station.Pack(r)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // again is not an error, and not stored twice
		if _, _, err := station.Publish(t.Context(), js, r, data); err != nil {
			t.Fatalf("reading: %v", err)
		}
	}
	in, err := p.js.Stream(t.Context(), protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	m, err := in.GetMsg(t.Context(), 1)
	if err != nil || !bytes.Equal(m.Data, data) || in.CachedInfo().State.Msgs != 1 {
		t.Errorf("the reading is stored as %.60s, among %d: %v", m.Data, in.CachedInfo().State.Msgs, err)
	}
	if who := m.Header.Get("Nats-Request-Info"); who != "" {
		t.Errorf("the reading is stored with what the server notes about its way: %s", who)
	}
	n := &protocol.Note{Schema: protocol.SchemaNote, ID: "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e13", At: time.Now(), Site: "quay", Printer: "heron",
		Journal: &protocol.JournalNote{What: protocol.DidClean}}
	if _, err := station.PublishNote(t.Context(), js, n); err != nil {
		t.Errorf("note: %v", err)
	}
	kv, err := js.KeyValue(t.Context(), protocol.BucketCharts)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kv.Get(t.Context(), protocol.ChartKey(c.ID, c.Edition)); err != nil {
		t.Errorf("layout: %v", err)
	}
	picture := bytes.Repeat([]byte("a picture of a chart"), 60<<10)
	digest := fmt.Sprintf("%x", sha256.Sum256(picture))
	for range 2 {
		if err := bus.PutScan(t.Context(), js, digest, bytes.NewReader(picture)); err != nil {
			t.Fatalf("picture: %v", err)
		}
	}
	checkPicture(t, p.js, digest, picture)
	_, vjs := p.enter(t, "office")
	checkPicture(t, vjs, digest, picture)
}

// viewerApart reads records as they come, layouts and baselines.
func viewerApart(t *testing.T, p *place) {
	t.Helper()
	_, js := p.enter(t, "office")
	b, err := os.ReadFile("../../testdata/messages/record-verdict.json")
	if err != nil {
		t.Fatal(err)
	}
	put := func() {
		t.Helper()
		if _, err := p.js.Publish(t.Context(), "swk.record.quay.heron.verdict.-", b); err != nil {
			t.Fatal(err)
		}
	}
	put()
	if n := readAs(t, js, history.Query{}); n != 1 {
		t.Errorf("the viewer reads %d records", n)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	seen, ended := make(chan uint64, 8), make(chan error, 1)
	go func() {
		ended <- history.Read(ctx, js, history.Query{Follow: true}, func(e history.Entry) error { seen <- e.Seq; return nil })
	}()
	for want := uint64(1); want < 4; want++ {
		select {
		case seq := <-seen:
			if seq != want {
				t.Errorf("the viewer follows to record %d, want %d", seq, want)
			}
		case err := <-ended:
			t.Fatalf("following ends: %v", err)
		}
		put()
	}
	cancel()
	<-ended
	stores, err := bus.OpenStores(t.Context(), p.js)
	if err != nil {
		t.Fatal(err)
	}
	defer stores.Close()
	// In several parts, packed as it is.
	body := make([]byte, 600<<10)
	x := uint32(1)
	for i := range body {
		x = x*1664525 + 1013904223
		body[i] = byte(x >> 24)
	}
	digest, err := stores.PutBaseline(t.Context(), body)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"heron", "plover"} {
		if err := stores.SetActive(t.Context(), "quay", key, "0123456789ab", []byte("{}")); err != nil {
			t.Fatal(err)
		}
	}
	kv, err := p.js.KeyValue(t.Context(), protocol.BucketActive)
	if err != nil {
		t.Fatal(err)
	}
	if err := kv.Delete(t.Context(), "quay.plover.0123456789ab"); err != nil {
		t.Fatal(err)
	}
	vstores, err := bus.OpenStores(t.Context(), js)
	if err != nil {
		t.Fatal(err)
	}
	defer vstores.Close()
	if got, err := vstores.Baseline(t.Context(), digest); err != nil || !bytes.Equal(got, body) {
		t.Errorf("the viewer reads %d bytes of a baseline of %d: %v", len(got), len(body), err)
	}
	if l, err := vstores.Charts(t.Context()); err != nil || len(l) != 1 {
		t.Errorf("the viewer reads %d layouts: %v", len(l), err)
	}
	if keys, err := bus.Keys(t.Context(), js, protocol.BucketActive); err != nil || len(keys) != 1 || keys[0] != "quay.heron.0123456789ab" {
		t.Errorf("the viewer finds %v in force: %v", keys, err)
	}
	if _, err := p.js.Publish(t.Context(), "$KV.SWK_SENT.night.given-up.x", []byte(`{"message":"x"}`)); err != nil {
		t.Fatal(err)
	}
	if l, err := chat.Failures(t.Context(), js, ""); err != nil || len(l) != 1 || l[0].Target != "night" {
		t.Errorf("the viewer finds given up %v: %v", l, err)
	}
	if keys, err := bus.Keys(t.Context(), js, protocol.BucketSent); err != nil || len(keys) != 1 {
		t.Errorf("the viewer finds %v delivered: %v", keys, err)
	}
}

// What is taken away from a station while it is connected, it reaches no more, by no way, and what it is
// given works: its account goes with its rights.
func TestAnswersFollowTheGrant(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	grants := func(printers ...string) bus.Grant {
		return bus.Grant{Name: "bench-1", Role: bus.RoleStation, Site: "quay", Printers: printers}
	}
	seed := grant(t, s.dir, grants("heron", "dunlin"))
	nc, _, err := s.enter(t, seed, nil)
	if err != nil {
		t.Fatal(err)
	}
	back := make(chan struct{}, 8)
	nc.SetReconnectHandler(func(*nats.Conn) { back <- struct{}{} })
	sub, err := s.conn.SubscribeSync("swk.*.*.dunlin")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.conn.Flush(); err != nil {
		t.Fatal(err)
	}
	stored := 0 // readings of dunlin
	for i, printers := range [][]string{{"heron", "dunlin"}, {"heron"}, {"heron", "plover"}, {"heron", "dunlin"}} {
		if i > 0 {
			if _, err := bus.PutGrant(t.Context(), s.dir, grants(printers...)); err != nil {
				t.Fatal(err)
			}
			<-back
		}
		for _, to := range []string{"swk.reading.quay.dunlin", "swk.note.quay.dunlin"} {
			if err := nc.PublishRequest("swk.reading.quay.heron", to, []byte("{}")); err != nil {
				t.Fatal(err)
			}
		}
		if err := nc.Publish("swk.reading.quay.dunlin", []byte("{}")); err != nil {
			t.Fatal(err)
		}
		if slices.Contains(printers, "dunlin") {
			stored++
		}
		for _, p := range printers {
			if _, err := nc.Request("swk.reading.quay."+p, []byte("{}"), time.Minute); err != nil {
				t.Errorf("%v: %v", printers, err)
			}
			if p == "dunlin" {
				stored++
			}
		}
		if err := s.conn.Flush(); err != nil {
			t.Fatal(err)
		}
		if n, _, err := sub.Pending(); err != nil || n != stored {
			t.Errorf("granted %v: %d readings of dunlin, want %d: %v", printers, n, stored, err)
		}
	}
}
