package bus_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/station"
)

// A station may send readings of its own printers and nothing else. Everything else is tried in
// the ways that the protocol has for it, each must be denied, and the log must say who tried what.
func TestStationMayNothingElse(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	seed := grant(t, s.dir, bus.Grant{Name: "bench-1", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron", "plover"}})
	refused := make(chan string, 64)
	nc, js, err := s.enter(t, seed, func(err error) { refused <- err.Error() })
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"heron", "plover"} {
		r := reading(p)
		data, err := station.Pack(r)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := station.Publish(t.Context(), js, r, data); err != nil {
			t.Fatalf("its own printer %s: %v", p, err)
		}
	}
	ctx := t.Context()
	in, err := s.js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	state := func() string {
		i, err := in.Info(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%d messages %d..%d, %d consumers", i.State.Msgs, i.State.FirstSeq, i.State.LastSeq, i.State.Consumers)
	}
	before := state()

	type attempt struct{ name, subject, listen, word string }
	tries := []attempt{
		{name: "another printer", subject: "swk.reading.quay.dunlin", word: "send a reading of quay/dunlin"},
		{name: "another site", subject: "swk.reading.wharf.heron", word: "send a reading of wharf/heron"},
		{name: "a note that was not granted", subject: "swk.note.quay.heron", word: "send a note about quay/heron"},
		{name: "a record", subject: "swk.record.quay.heron.verdict.-", word: "store a record of quay/heron"},
		{name: "a subject of nobody", subject: "swk.reading.quay.heron.more", word: ""},
		{name: "a subject outside", subject: "elsewhere", word: "publish on elsewhere"},
		{name: "listening to readings", listen: "swk.reading.>", word: "listen to swk.reading.>"},
		{name: "listening to its own printer", listen: "swk.reading.quay.heron", word: "listen to swk.reading.quay.heron"},
		{name: "a row", subject: "swk.row.quay.heron", word: "store a row of quay/heron"},
		{name: "listening to records", listen: "swk.record.>", word: "listen to swk.record.>"},
		{name: "listening to everything", listen: ">", word: "listen to >"},
		{name: "listening to others' answers", listen: "_INBOX.>", word: "listen to _INBOX.>"},
		{name: "listening to advisories", listen: "$JS.EVENT.>", word: "listen to $JS.EVENT.>"},
	}
	for _, st := range []string{protocol.StreamInbox, protocol.StreamRecord} {
		for _, a := range []attempt{
			{name: "reading by sequence", subject: "$JS.API.DIRECT.GET." + st, word: "read from " + st},
			{name: "reading by subject", subject: "$JS.API.DIRECT.GET." + st + ".swk.record.quay.heron.verdict.-", word: "read from " + st},
			{name: "reading through the leader", subject: "$JS.API.STREAM.MSG.GET." + st, word: "get a message of " + st},
			{name: "deleting a message", subject: "$JS.API.STREAM.MSG.DELETE." + st, word: "delete a message of " + st},
			{name: "deleting the stream", subject: "$JS.API.STREAM.DELETE." + st, word: "delete stream " + st},
			{name: "purging", subject: "$JS.API.STREAM.PURGE." + st, word: "purge stream " + st},
			{name: "changing the stream", subject: "$JS.API.STREAM.UPDATE." + st, word: "update stream " + st},
			{name: "stream info", subject: "$JS.API.STREAM.INFO." + st, word: "info stream " + st},
			{name: "a snapshot", subject: "$JS.API.STREAM.SNAPSHOT." + st, word: "snapshot stream " + st},
			{name: "a consumer", subject: "$JS.API.CONSUMER.CREATE." + st + ".spy", word: "create a consumer of " + st},
			{name: "a filtered consumer", subject: "$JS.API.CONSUMER.CREATE." + st + ".spy.swk.>", word: "create a consumer of " + st},
			{name: "a durable the old way", subject: "$JS.API.CONSUMER.DURABLE.CREATE." + st + ".spy", word: "create a consumer of " + st},
			{name: "an unnamed consumer", subject: "$JS.API.CONSUMER.CREATE." + st, word: "create a consumer of " + st},
			{name: "deleting the judge", subject: "$JS.API.CONSUMER.DELETE." + st + ".judge", word: "delete a consumer of " + st},
			{name: "pausing the judge", subject: "$JS.API.CONSUMER.PAUSE." + st + ".judge", word: "pause a consumer of " + st},
			{name: "listing consumers", subject: "$JS.API.CONSUMER.NAMES." + st, word: "names a consumer of " + st},
			{name: "taking messages from the judge", subject: "$JS.API.CONSUMER.MSG.NEXT." + st + ".judge", word: "take messages of consumer judge of " + st},
			{name: "acknowledging for the judge", subject: "$JS.ACK." + st + ".judge.1.1.1.1.1", word: "acknowledge a message of " + st},
		} {
			a.name += " of " + st
			tries = append(tries, a)
		}
	}
	tries = append(tries,
		attempt{name: "a new stream", subject: "$JS.API.STREAM.CREATE.SPY", word: "create stream SPY"},
		attempt{name: "listing streams", subject: "$JS.API.STREAM.NAMES", word: ""},
		attempt{name: "the store's figures", subject: "$JS.API.INFO", word: "ask the store: info"},
		attempt{name: "a chart layout", subject: "$KV.SWK_CHARTS.pennant-cmyk.a1b2c3d4", word: "change SWK_CHARTS"},
		attempt{name: "the baseline in force", subject: "$KV.SWK_ACTIVE.quay.heron.x", word: "change SWK_ACTIVE"},
		attempt{name: "reading a layout", subject: "$JS.API.DIRECT.GET.KV_SWK_CHARTS.$KV.SWK_CHARTS.x", word: "read from KV_SWK_CHARTS"},
		attempt{name: "a picture that was not granted", subject: "swk.scan.x.y.0", word: "store a picture of x"},
		attempt{name: "a baseline", subject: "$O.SWK_BASELINES.C.x", word: "put an object into SWK_BASELINES"},
		attempt{name: "asking services", subject: "$SRV.PING", word: "publish on $SRV.PING"},
		attempt{name: "the system's own", subject: "$SYS.REQ.SERVER.PING", word: "publish on $SYS.REQ.SERVER.PING"},
	)
	for _, a := range tries {
		from := s.log.len()
		what := a.subject
		if a.listen != "" {
			what = a.listen
			if _, err := nc.SubscribeSync(a.listen); err != nil {
				t.Fatal(err)
			}
		} else if err := nc.PublishRequest(a.subject, bus.InboxPrefix("x"), nil); err != nil {
			t.Fatal(err)
		}
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
		select {
		case text := <-refused:
			if !strings.Contains(text, what) {
				t.Errorf("%s: the station hears %q, which does not name %s", a.name, text, what)
			}
		case <-time.After(time.Minute):
			t.Fatalf("%s (%s) was not denied", a.name, what)
		}
		line := s.log.wait(t, from, a.name, func(m map[string]any) bool { return m["message"] == "denied" && m["subject"] == what })
		if line["who"] != "bench-1" || line["role"] != "station" || (a.word != "" && line["tried"] != a.word) {
			t.Errorf("%s: the log says %v", a.name, line)
		}
	}
	if after := state(); after != before {
		t.Errorf("the inbox changed from %s to %s", before, after)
	}
	// On its own subject no header does more than publish.
	for key, v := range map[string]string{"Nats-Rollup": "sub", "Nats-TTL": "1s", "Nats-Schedule": "@every 1s", "Nats-Batch-Id": "x", "Nats-Incr": "+1"} {
		m := nats.NewMsg(protocol.ReadingSubject("quay", "heron"))
		m.Header.Set(key, v)
		if key == "Nats-Batch-Id" {
			m.Header.Set("Nats-Batch-Sequence", "1")
			m.Header.Set("Nats-Batch-Commit", "1")
		}
		m.Data = []byte("{}")
		if _, err := js.PublishMsg(ctx, m, jetstream.WithRetryAttempts(0)); err == nil {
			t.Errorf("a reading with %s: %s was taken", key, v)
		}
	}
	if after := state(); after != before {
		t.Errorf("the inbox changed from %s to %s", before, after)
	}
	// And it still works after all that.
	r := reading("heron")
	r.ID = "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e12"
	data, err := station.Pack(r)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := station.Publish(ctx, js, r, data); err != nil {
		t.Error(err)
	}
	// An answer sent to somebody else's inbox would be a way to talk to them; a publish names its
	// own inbox only by choice, so what matters is that it cannot listen there.
	t.Logf("%d operations denied, each named in the log", len(tries))
}

// Notes and pictures are granted one by one.
func TestStationNotesAndScans(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	seed := grant(t, s.dir, bus.Grant{Name: "bench-2", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}, Notes: true, Scans: true})
	refused := make(chan string, 64)
	nc, js, err := s.enter(t, seed, func(err error) { refused <- err.Error() })
	if err != nil {
		t.Fatal(err)
	}
	n := &protocol.Note{Schema: protocol.SchemaNote, ID: "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e13", At: time.Now(), Site: "quay", Printer: "heron",
		Journal: &protocol.JournalNote{What: protocol.DidClean}}
	if _, err := station.PublishNote(t.Context(), js, n); err != nil {
		t.Errorf("note: %v", err)
	}
	stores, err := s.js.KeyValue(t.Context(), protocol.BucketCharts)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stores.Put(t.Context(), "a.b", []byte("x")); err != nil {
		t.Fatal(err)
	}
	kv, err := js.KeyValue(t.Context(), protocol.BucketCharts)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := kv.Get(t.Context(), "a.b"); err != nil || string(e.Value()) != "x" {
		t.Errorf("layout: %v", err)
	}
	picture := bytes.Repeat([]byte("a picture of a chart"), 60<<10) // in three parts
	digest := fmt.Sprintf("%x", sha256.Sum256(picture))
	for range 2 { // again is not an error
		if err := bus.PutScan(t.Context(), js, digest, bytes.NewReader(picture)); err != nil {
			t.Fatalf("picture: %v", err)
		}
	}
	checkPicture(t, s.js, digest, picture)

	// What it has stored it can neither replace nor take away, and others' pictures even less.
	key := nc.Opts.Nkey
	none, roll := nats.Header{}, nats.Header{}
	roll.Set("Nats-Rollup", "sub")
	rollAll := nats.Header{}
	rollAll.Set("Nats-Rollup", "all")
	expire := nats.Header{}
	expire.Set("Nats-TTL", "1s")
	for what, m := range map[string]*nats.Msg{
		"replacing a part":        {Subject: protocol.ScanSubject(key, digest, "0"), Data: []byte("x"), Header: none},
		"replacing the end":       {Subject: protocol.ScanSubject(key, digest, protocol.ScanEnd), Data: []byte("{}"), Header: none},
		"rolling a subject up":    {Subject: protocol.ScanSubject(key, digest, "0"), Data: []byte("x"), Header: roll},
		"rolling everything up":   {Subject: protocol.ScanSubject(key, digest, "other"), Data: []byte("x"), Header: rollAll},
		"a part that goes itself": {Subject: protocol.ScanSubject(key, digest, "more"), Data: []byte("x"), Header: expire},
	} {
		if _, err := js.PublishMsg(t.Context(), m); err == nil {
			t.Errorf("%s was taken", what)
		}
	}
	for what, subject := range map[string]string{
		"another's part":        protocol.ScanSubject("UOTHER", digest, "0"),
		"another's end":         protocol.ScanSubject("local", digest, protocol.ScanEnd),
		"reading another's":     "$JS.API.DIRECT.GET." + protocol.StreamScans + "." + protocol.ScanSubject("local", digest, "0"),
		"reading by sequence":   "$JS.API.DIRECT.GET." + protocol.StreamScans,
		"deleting a message":    "$JS.API.STREAM.MSG.DELETE." + protocol.StreamScans,
		"purging":               "$JS.API.STREAM.PURGE." + protocol.StreamScans,
		"deleting the stream":   "$JS.API.STREAM.DELETE." + protocol.StreamScans,
		"changing the stream":   "$JS.API.STREAM.UPDATE." + protocol.StreamScans,
		"a consumer":            "$JS.API.CONSUMER.CREATE." + protocol.StreamScans + ".spy",
		"changing a layout":     "$KV." + protocol.BucketCharts + ".a.b",
		"deleting layouts":      "$JS.API.STREAM.PURGE.KV_" + protocol.BucketCharts,
		"a consumer of layouts": "$JS.API.CONSUMER.CREATE.KV_" + protocol.BucketCharts + ".spy",
	} {
		s.mustDeny(t, nc, refused, what, subject)
	}
	checkPicture(t, s.js, digest, picture)

	// Another station that stores something else under the same digest hides nothing.
	other := grant(t, s.dir, bus.Grant{Name: "bench-3", Role: bus.RoleStation, Site: "quay", Printers: []string{"heron"}, Scans: true})
	onc, ojs, err := s.enter(t, other, nil)
	if err != nil {
		t.Fatal(err)
	}
	for part, data := range map[string]string{"0": "no picture", protocol.ScanEnd: `{"bytes":10,"parts":1}`} {
		if _, err := ojs.Publish(t.Context(), protocol.ScanSubject(onc.Opts.Nkey, digest, part), []byte(data)); err != nil {
			t.Fatal(err)
		}
	}
	checkPicture(t, s.js, digest, picture)
}

// checkPicture fetches a picture and compares it.
func checkPicture(t *testing.T, js jetstream.JetStream, digest string, want []byte) {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "picture"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	n, err := bus.GetScan(t.Context(), js, digest, f)
	if err != nil {
		t.Fatalf("picture: %v", err)
	}
	got, err := os.ReadFile(f.Name())
	if err != nil || n != int64(len(want)) || !bytes.Equal(got, want) {
		t.Fatalf("the picture came back with %d bytes of %d: %v", n, len(want), err)
	}
}

// mustDeny publishes on a subject and wants it denied, to the client and in the log.
func (s *shop) mustDeny(t *testing.T, nc *nats.Conn, refused <-chan string, what, subject string) {
	t.Helper()
	from := s.log.len()
	if err := nc.PublishRequest(subject, nc.NewInbox(), nil); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	for told := false; !told; {
		select {
		case text := <-refused:
			told = strings.Contains(text, subject)
		case <-time.After(time.Minute):
			t.Fatalf("%s (%s) was not denied", what, subject)
		}
	}
	s.log.wait(t, from, what, func(m map[string]any) bool { return m["message"] == "denied" && m["subject"] == subject })
}

// A viewer reads, and changes nothing: above all not the consumers by which the worker judges and
// chat tells.
func TestViewerMayOnlyRead(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	seed := grant(t, s.dir, bus.Grant{Name: "office", Role: bus.RoleViewer})
	// A chat target's consumer, with one filter.
	conf := jetstream.ConsumerConfig{Durable: "chat-night", FilterSubjects: []string{"swk.record.*.*.alert.*"}, AckPolicy: jetstream.AckExplicitPolicy, MaxAckPending: 1}
	if _, err := s.js.CreateConsumer(t.Context(), protocol.StreamRecord, conf); err != nil {
		t.Fatal(err)
	}
	refused := make(chan string, 64)
	nc, js, err := s.enter(t, seed, func(err error) { refused <- err.Error() })
	if err != nil {
		t.Fatal(err)
	}
	const api = "$JS.API."
	tries := map[string]string{
		"changing chat's consumer":     api + "CONSUMER.CREATE.SWK_RECORD.chat-night.swk.record.*.*.alert.*",
		"changing it to one filter":    api + "CONSUMER.CREATE.SWK_RECORD.chat-night.swk.record.x.x.x.x",
		"changing it without filter":   api + "CONSUMER.CREATE.SWK_RECORD.chat-night",
		"changing it the old way":      api + "CONSUMER.DURABLE.CREATE.SWK_RECORD.chat-night",
		"a consumer of its own":        api + "CONSUMER.CREATE.SWK_RECORD.mine.swk.record.x.x.x.x",
		"taking chat's messages":       api + "CONSUMER.MSG.NEXT.SWK_RECORD.chat-night",
		"acknowledging them":           "$JS.ACK.SWK_RECORD.chat-night.1.1.1.1.1",
		"unpinning":                    api + "CONSUMER.UNPIN.SWK_RECORD.chat-night",
		"pausing":                      api + "CONSUMER.PAUSE.SWK_RECORD.chat-night",
		"resetting":                    api + "CONSUMER.RESET.SWK_RECORD.chat-night",
		"deleting":                     api + "CONSUMER.DELETE.SWK_RECORD.chat-night",
		"the judge":                    api + "CONSUMER.CREATE.SWK_INBOX.judge",
		"taking the judge's messages":  api + "CONSUMER.MSG.NEXT.SWK_INBOX.judge",
		"deleting an input":            api + "STREAM.MSG.DELETE.SWK_INBOX",
		"purging the inbox":            api + "STREAM.PURGE.SWK_INBOX",
		"a reading":                    "swk.reading.quay.heron",
		"a note":                       "swk.note.quay.heron",
		"a record":                     "swk.record.quay.heron.alert.-",
		"a picture":                    "swk.scan.x.y.0",
		"a layout":                     "$KV.SWK_CHARTS.a.b",
		"a baseline in force":          "$KV.SWK_ACTIVE.quay.heron.x",
		"a baseline":                   "$O.SWK_BASELINES.M.x",
		"what was delivered":           "$KV.SWK_SENT.x",
		"purging records":              api + "STREAM.PURGE.SWK_RECORD",
		"deleting a record":            api + "STREAM.MSG.DELETE.SWK_RECORD",
		"purging layouts":              api + "STREAM.PURGE.KV_SWK_CHARTS",
		"purging pictures":             api + "STREAM.PURGE.SWK_SCANS",
		"deleting a picture's message": api + "STREAM.MSG.DELETE.SWK_SCANS",
		"a consumer of pictures":       api + "CONSUMER.CREATE.SWK_SCANS.mine.swk.scan.x.y.0",
		"changing a stream":            api + "STREAM.UPDATE.SWK_RECORD",
		"a new stream":                 api + "STREAM.CREATE.SPY",
	}
	for what, subject := range tries {
		s.mustDeny(t, nc, refused, what, subject)
	}
	t.Logf("%d operations denied", len(tries))
	cons, err := s.js.Consumer(t.Context(), protocol.StreamRecord, "chat-night")
	if err != nil {
		t.Fatal(err)
	}
	if c := cons.CachedInfo().Config; len(c.FilterSubjects) != 1 && c.FilterSubject != conf.FilterSubjects[0] {
		t.Errorf("chat's consumer has become %+v", c)
	}
	// And it reads, follows included.
	if n := readAs(t, js, history.Query{}); n != 0 {
		t.Errorf("%d records of none", n)
	}
}

func readAs(t *testing.T, js jetstream.JetStream, q history.Query) (n int) {
	t.Helper()
	if err := history.Read(t.Context(), js, q, func(history.Entry) error { n++; return nil }); err != nil {
		t.Errorf("%+v: %v", q, err)
	}
	return n
}
