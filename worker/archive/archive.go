// Package archive moves everything a worker keeps from one machine, or one bus, to another: the
// inbox, the records, charts, baselines, pictures and what chat has delivered, in one file.
//
// The file is a ZIP archive: a snapshot of each stream as the server writes it down, the grants, and
// manifest.json, which names the SHA-256 of every part. Rows are left out, since they are made again.
package archive

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Schema names the manifest.
const Schema = "swathkeeper.export/1"

// Manifest says what an archive holds.
type Manifest struct {
	Schema  string    `json:"schema"`
	Made    time.Time `json:"made"`
	Version string    `json:"version"` // of the program that made it
	// Judged is the highest inbox sequence that any record names: every input up to it has its
	// record.
	Judged uint64 `json:"judged"`
	// JudgedParts is the same for each judging consumer, where the inbox is divided among several.
	JudgedParts map[string]uint64 `json:"judged_parts,omitempty"`
	Parts       []Part            `json:"parts"`
}

// Part is one file of an archive.
type Part struct {
	Name     string            `json:"name"`
	What     string            `json:"what"` // in words
	SHA256   string            `json:"sha256"`
	Bytes    int64             `json:"bytes"`
	Messages uint64            `json:"messages"`
	Last     uint64            `json:"last"` // sequence of the newest message
	Stream   string            `json:"stream,omitempty"`
	Head     *bus.SnapshotHead `json:"head,omitempty"`
}

const (
	manifestName = "manifest.json"
	grantsName   = bus.GrantsFile
	maxManifest  = 4 << 20
	maxGrants    = 4 << 20
)

// stored is what is moved. Records go before the inbox: an input that comes in between is then in
// the archive without its record, and is judged where it arrives; the other way round it would be
// lost, since its record would say that it was judged.
var stored = []struct {
	stream, what string
	consumers    bool // their places go along: chat goes on where it was
}{
	{protocol.StreamRecord, "records", true},
	{protocol.StreamInbox, "readings and notes", false},
	{"KV_" + protocol.BucketCharts, "chart layouts", false},
	{"KV_" + protocol.BucketActive, "baselines in force", false},
	{"OBJ_" + protocol.BucketBaselines, "baselines", false},
	{"KV_" + protocol.BucketSent, "what chat has sent", false},
	{protocol.StreamScans, "scans", false},
}

// meter counts and digests what passes.
type meter struct {
	w io.Writer
	h hash.Hash
	n int64
}

func (m *meter) Write(p []byte) (int, error) {
	n, err := m.w.Write(p)
	m.h.Write(p[:n])
	m.n += int64(n)
	return n, err
}

// Export writes everything to w. grants is the data folder's grants file; empty: there is none. The
// worker may run meanwhile.
func Export(ctx context.Context, nc *nats.Conn, js jetstream.JetStream, grants, version string, w io.Writer) (*Manifest, error) {
	if err := bus.Check(ctx, js); err != nil {
		return nil, err
	}
	m := &Manifest{Schema: Schema, Made: time.Now().UTC(), Version: version}
	if err := m.lookAtParts(ctx, js); err != nil {
		return nil, err
	}
	z := zip.NewWriter(w)
	for _, s := range stored {
		// Snapshots are compressed already.
		f, err := z.CreateHeader(&zip.FileHeader{Name: s.stream + ".snapshot", Method: zip.Store, Modified: m.Made})
		if err != nil {
			return nil, err
		}
		c := &meter{w: f, h: sha256.New()}
		head, err := bus.Snapshot(ctx, nc, s.stream, s.consumers, c)
		if err != nil {
			return nil, err
		}
		p := Part{Name: s.stream + ".snapshot", What: s.what, SHA256: hex.EncodeToString(c.h.Sum(nil)), Bytes: c.n, Stream: s.stream, Head: head}
		var st struct {
			Messages uint64 `json:"messages"`
			Last     uint64 `json:"last_seq"`
		}
		if err := json.Unmarshal(head.State, &st); err != nil {
			return nil, fmt.Errorf("state of %s: %w", s.stream, err)
		}
		p.Messages, p.Last = st.Messages, st.Last
		m.Parts = append(m.Parts, p)
		if s.stream == protocol.StreamRecord {
			// Looked up after the snapshot, it can only be too high for it; what was judged in
			// between must then be judged again, so it is bounded by what the snapshot holds.
			if m.JudgedParts == nil {
				if m.Judged, err = judgedIn(ctx, js, st.Last); err != nil {
					return nil, err
				}
			}
		}
	}
	if err := addGrants(z, m, grants); err != nil {
		return nil, err
	}
	f, err := z.Create(manifestName)
	if err != nil {
		return nil, err
	}
	enc := json.NewEncoder(f)
	enc.SetIndent("", "  ")
	if err := enc.Encode(m); err != nil {
		return nil, err
	}
	return m, z.Close()
}

// lookAtParts finds out up to where each part of a divided inbox is judged, which the records alone do
// not tell: one part may be far ahead of another. Looked up before the records are copied, it can only
// be too low: what was judged since is known by its id where it arrives.
func (m *Manifest) lookAtParts(ctx context.Context, js jetstream.JetStream) error {
	d, err := bus.ReadDivision(ctx, js)
	if err != nil || d.Count() == 1 && len(d.Before) == 0 {
		return err
	}
	left, err := d.Left(ctx, js)
	if err != nil {
		return err
	}
	if len(left) > 0 {
		return fmt.Errorf("the inbox was divided anew a short while ago, and inputs from before still wait in %s: let a worker judge them, then export", left[0].Consumer)
	}
	m.JudgedParts = map[string]uint64{}
	for _, p := range d.Parts {
		q, err := d.Queue(ctx, js, p)
		if err != nil {
			return err
		}
		m.JudgedParts[p.Consumer] = q.Floor
		m.Judged = max(m.Judged, q.Floor)
	}
	for _, p := range d.Before {
		m.JudgedParts[p.Consumer] = d.Last
		m.Judged = max(m.Judged, d.Last)
	}
	return nil
}

// judgedIn is the highest input that a record up to sequence last names. Inputs are judged one after
// another, so the newest record that names one tells; timers in between name none.
func judgedIn(ctx context.Context, js jetstream.JetStream, last uint64) (uint64, error) {
	records, err := bus.OpenRecords(ctx, js)
	if err != nil {
		return 0, err
	}
	s, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return 0, fmt.Errorf("records: %w", err)
	}
	for seq := last; seq > 0; seq-- {
		m, err := s.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			if seq < s.CachedInfo().State.FirstSeq {
				break
			}
			continue
		}
		if err != nil {
			return 0, fmt.Errorf("record %d: %w", seq, err)
		}
		r, err := protocol.DecodeRecord(m.Data)
		if err != nil {
			if bus.IsForeign(m.Data) {
				continue
			}
			return 0, fmt.Errorf("record %d: %w", seq, err)
		}
		switch {
		case r.InboxSeq == 0:
		case r.Inbox.Equal(records.Inbox):
			return r.InboxSeq, nil
		default:
			return 0, nil // of an inbox before this one: sequences say nothing, reading ids will
		}
	}
	return 0, nil
}

func addGrants(z *zip.Writer, m *Manifest, grants string) error {
	if grants == "" {
		return nil
	}
	data, err := os.ReadFile(grants)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("grants: %w", err)
	}
	f, err := z.Create(grantsName)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(data)
	m.Parts = append(m.Parts, Part{Name: grantsName, What: "who may do what (public keys)", SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(data))})
	_, err = f.Write(data)
	return err
}

// Archive is an archive that was opened and found whole.
type Archive struct {
	Manifest
	z *zip.ReadCloser
}

// Close lets go of the file.
func (a *Archive) Close() error { return a.z.Close() }

// Open opens an archive and holds every part against its digest.
func Open(path string) (*Archive, error) {
	const give = "give the file that `swathkeeper export` wrote"
	if i, err := os.Stat(path); err == nil && i.IsDir() {
		return nil, fmt.Errorf("%s is a folder; %s", path, give)
	}
	z, err := zip.OpenReader(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s; %s", path, give)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("%s may not be read; ask its owner for it", path)
	case err != nil:
		return nil, fmt.Errorf("%s is no export, or not a whole one: %w; %s, copied whole", path, err, give)
	}
	a := &Archive{z: z}
	if err := a.verify(); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), z.Close())
	}
	return a, nil
}

func (a *Archive) verify() error {
	f, err := a.z.Open(manifestName)
	if err != nil {
		return fmt.Errorf("it has no %s: it is no export, or not a whole one; give the file that `swathkeeper export` wrote, copied whole", manifestName)
	}
	data, err := io.ReadAll(io.LimitReader(f, maxManifest))
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := json.Unmarshal(data, &a.Manifest); err != nil {
		return fmt.Errorf("%s: %w", manifestName, err)
	}
	if a.Schema != Schema {
		return fmt.Errorf("it is of kind %q, and this program reads %s", a.Schema, Schema)
	}
	has := map[string]Part{}
	for _, p := range a.Parts {
		has[p.Stream] = p
		if err := a.verifyPart(p); err != nil {
			return err
		}
	}
	for _, s := range stored {
		if has[s.stream].Head == nil {
			return fmt.Errorf("it lacks the %s", s.what)
		}
	}
	if last := has[protocol.StreamInbox].Last; last < a.Judged {
		return fmt.Errorf("its inbox ends at %d, and its records name input %d: what comes next would be taken for judged", last, a.Judged)
	}
	return nil
}

func (a *Archive) verifyPart(p Part) error {
	f, err := a.z.Open(p.Name)
	if err != nil {
		return fmt.Errorf("%s (%s) is missing: %w", p.Name, p.What, err)
	}
	h := sha256.New()
	n, err := io.Copy(h, f)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("%s (%s): %w", p.Name, p.What, err)
	}
	if n != p.Bytes || hex.EncodeToString(h.Sum(nil)) != p.SHA256 {
		return fmt.Errorf("%s (%s) is damaged: its digest is not the one in the manifest", p.Name, p.What)
	}
	return nil
}

// ErrNotEmpty says that there is a store already.
var ErrNotEmpty = errors.New("there is a store already; nothing is mixed or overwritten: import into an empty data folder or bus")

// Import makes a store of an archive, on a bus that holds none of it. grants is where the grants file
// goes; empty: nowhere. When it breaks off, what it had made is taken away again.
func (a *Archive) Import(ctx context.Context, nc *nats.Conn, js jetstream.JetStream, l bus.Limits, grants string) error {
	for _, s := range append(names(), protocol.StreamRows) {
		_, err := js.Stream(ctx, s)
		if err == nil {
			return ErrNotEmpty
		}
		if !errors.Is(err, jetstream.ErrStreamNotFound) {
			return fmt.Errorf("stream %s: %w", s, err)
		}
	}
	var made []string
	err := func() error {
		for _, p := range a.Parts {
			if p.Stream == "" {
				continue
			}
			made = append(made, p.Stream)
			if err := a.restore(ctx, nc, js, p); err != nil {
				return err
			}
		}
		// Streams come back on as many servers as they were on; what is made beside them must be too.
		in, err := js.Stream(ctx, protocol.StreamInbox)
		if err != nil {
			return fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
		}
		l.Replicas = max(l.Replicas, in.CachedInfo().Config.Replicas)
		if err := bus.ProvisionAfter(ctx, js, l, a.Judged, a.JudgedParts); err != nil {
			return err
		}
		return forgetWorkers(ctx, js)
	}()
	if err != nil {
		clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Minute)
		defer cancel()
		for _, s := range append(made, protocol.StreamRows) {
			if left := js.DeleteStream(clean, s); left != nil && !errors.Is(left, jetstream.ErrStreamNotFound) {
				err = errors.Join(err, fmt.Errorf("stream %s was left behind: %w", s, left))
			}
		}
		return err
	}
	return a.putGrants(grants)
}

// forgetWorkers takes away the signs of life of workers elsewhere: one that worked while its store was
// exported would here seem to have crashed.
func forgetWorkers(ctx context.Context, js jetstream.JetStream) error {
	const name = "KV_" + protocol.BucketSent
	s, err := js.Stream(ctx, name)
	if err == nil {
		err = s.Purge(ctx, jetstream.WithPurgeSubject("$KV."+protocol.BucketSent+"."+bus.PresencePrefix+">"))
	}
	if err != nil {
		return fmt.Errorf("stream %s: %w", name, err)
	}
	return nil
}

func names() []string {
	var out []string
	for _, s := range stored {
		out = append(out, s.stream)
	}
	return out
}

func (a *Archive) restore(ctx context.Context, nc *nats.Conn, js jetstream.JetStream, p Part) error {
	f, err := a.z.Open(p.Name)
	if err != nil {
		return fmt.Errorf("%s: %w", p.What, err)
	}
	defer f.Close()
	if err := bus.Restore(ctx, nc, p.Stream, p.Head, f); err != nil {
		return fmt.Errorf("%s: %w", p.What, err)
	}
	s, err := js.Stream(ctx, p.Stream)
	if err != nil {
		return fmt.Errorf("%s: %w", p.What, err)
	}
	if st := s.CachedInfo().State; st.Msgs != p.Messages || st.LastSeq != p.Last {
		return fmt.Errorf("%s: %d messages up to %d arrived of %d up to %d", p.What, st.Msgs, st.LastSeq, p.Messages, p.Last)
	}
	return nil
}

// putGrants writes the grants where there are none.
func (a *Archive) putGrants(path string) error {
	if path == "" {
		return nil
	}
	f, err := a.z.Open(grantsName)
	if err != nil {
		return nil //nolint:nilerr // nothing was granted
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxGrants))
	if err != nil {
		return fmt.Errorf("grants: %w", err)
	}
	out, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already and was left alone; everything else was imported", filepath.Base(path))
	}
	if err != nil {
		return fmt.Errorf("grants: %w", err)
	}
	_, err = out.Write(data)
	return errors.Join(err, out.Close())
}
