package station

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"

	"swathkeeper/protocol"
	"swathkeeper/worker/limited"
	"swathkeeper/worker/syncfolder"
)

// spool keeps what was taken and not yet sent, and remembers what was taken, on the station's own
// disk. A file's readings are one entry, so that an entry is there whole or not at all.
type spool struct {
	dir  string
	lock *flock.Flock

	mu    sync.Mutex
	book  *os.File            // the ledger, appended to
	known map[string]struct{} // digests of files taken
	sent  map[string]struct{} // ids of readings sent, of entries that are still here
	wait  []*entry            // oldest first
	more  chan struct{}       // closed when something is added

	damaged []damagedEntry // set aside when the spool was opened
}

// damagedEntry is an entry that cannot be read.
type damagedEntry struct {
	file string // where it lies now
	path string // of the file that it was made of, as far as that can still be read
	why  error
}

// entry is one file's readings on their way.
type entry struct {
	Digest string    `json:"digest"`        // of the file and where it belongs
	Root   string    `json:"root"`          // the watched folder
	Rel    string    `json:"rel"`           // where the file lay below it
	Path   string    `json:"path"`          // where it lies now
	At     time.Time `json:"at"`            // the earliest reading's time
	Scan   string    `json:"scan,omitzero"` // digest of the picture, when it is to be kept at the bus
	Data   []packed  `json:"readings,omitempty"`

	file string // of the entry
}

// packed is a reading as it travels.
type packed struct {
	ID      string          `json:"id"`
	Site    string          `json:"site"`
	Printer string          `json:"printer"`
	Body    json.RawMessage `json:"body"`
}

const (
	ledgerFile = "taken.log"
	// ledgerKept is how long a file is remembered after it was taken.
	ledgerKept = 180 * 24 * time.Hour
)

// openSpool opens the spool of a folder, which one watch at a time may use.
func openSpool(dir string, now time.Time) (_ *spool, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("spool: %w", err)
	}
	s := &spool{dir: dir, lock: flock.New(filepath.Join(dir, "lock"), flock.SetPermissions(0o600)), known: map[string]struct{}{}, sent: map[string]struct{}{}, more: make(chan struct{})}
	got, err := s.lock.TryLock()
	if err != nil {
		return nil, fmt.Errorf("spool: %w", err)
	}
	if !got {
		return nil, fmt.Errorf("spool %s is in use by another watch; give this one another with --spool", dir)
	}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if err := s.readEntries(); err != nil {
		return nil, err
	}
	if err := s.readLedger(now); err != nil {
		return nil, err
	}
	for _, d := range s.damaged {
		if err := s.forget(d.file); err != nil {
			return nil, fmt.Errorf("spool: %w", err)
		}
	}
	return s, nil
}

func (s *spool) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.book != nil {
		_ = s.book.Close()
	}
	_ = s.lock.Unlock()
}

// readEntries finds what an earlier run left. An entry that is damaged is set aside, not lost.
func (s *spool) readEntries() error {
	names, err := filepath.Glob(filepath.Join(s.dir, "*.entry"))
	if err != nil {
		return err
	}
	for _, name := range names {
		e, err := readEntry(name)
		if err != nil {
			b, _ := limited.Read(name, limited.Large)
			if err := os.Rename(name, name+".damaged"); err != nil {
				return fmt.Errorf("spool: %w", err)
			}
			s.damaged = append(s.damaged, damagedEntry{name + ".damaged", pathIn(b), err})
			continue
		}
		e.Data = nil // it is read again when its turn comes, so that a long outage costs no memory
		s.wait = append(s.wait, e)
		s.known[e.Digest] = struct{}{}
	}
	slices.SortStableFunc(s.wait, byTime)
	return nil
}

var pathField = regexp.MustCompile(`"path":("(?:[^"\\]|\\.)*")`)

// pathIn finds in a torn entry where its file lies; empty: that part is lost.
func pathIn(b []byte) string {
	var path string
	if m := pathField.FindSubmatch(b); m != nil {
		_ = json.Unmarshal(m[1], &path)
	}
	return path
}

// forget lets the file of a damaged entry be taken again: it was not sent. The entry's name begins with
// its digest. The lock must be held.
func (s *spool) forget(entryFile string) error {
	begin, _, _ := strings.Cut(filepath.Base(entryFile), ".")
	for digest := range s.known {
		if strings.HasPrefix(digest, begin) {
			delete(s.known, digest)
			return s.note("again", digest)
		}
	}
	return nil
}

func byTime(a, b *entry) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Rel, b.Rel)) }

func readEntry(name string) (*entry, error) {
	b, err := limited.Read(name, limited.Large)
	if err != nil {
		return nil, err
	}
	var e entry
	if err := json.Unmarshal(b, &e); err != nil {
		return nil, err
	}
	if e.Digest == "" || len(e.Data) == 0 {
		return nil, errors.New("it holds no reading")
	}
	e.file = name
	return &e, nil
}

// readLedger reads what was taken before: lines of a time, a word and what it is about. What is
// too old is left out when the ledger is written anew.
func (s *spool) readLedger(now time.Time) error {
	path := filepath.Join(s.dir, ledgerFile)
	var keep []string
	if f, err := os.Open(path); err == nil {
		lines := bufio.NewReader(f)
		var err error
		for {
			var line string
			if line, err = ledgerLine(lines); err != nil {
				break
			}
			t := strings.Fields(line)
			if len(t) != 3 {
				continue // cut by a power failure
			}
			at, err := time.Parse(time.RFC3339, t[0])
			if err != nil || now.Sub(at) > ledgerKept {
				continue
			}
			switch t[1] {
			case "taken":
				s.known[t[2]] = struct{}{}
			case "again":
				delete(s.known, t[2])
			case "sent":
				s.sent[t[2]] = struct{}{}
				continue
			}
			keep = append(keep, line)
		}
		_ = f.Close()
		if !errors.Is(err, io.EOF) {
			return fmt.Errorf("spool %s: %w", path, err)
		}
	} else if !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("spool: %w", err)
	}
	if len(s.wait) > 0 {
		for id := range s.sent {
			keep = append(keep, now.UTC().Format(time.RFC3339)+" sent "+id)
		}
	}
	var text string
	if len(keep) > 0 {
		text = strings.Join(keep, "\n") + "\n"
	}
	if err := writeSafe(path, []byte(text)); err != nil {
		return fmt.Errorf("spool: %w", err)
	}
	var err error
	s.book, err = os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0o600)
	return err
}

// ledgerLine gives the next line of a ledger. A power cut may leave zeros, however many, in place of
// lines or before one.
func ledgerLine(r *bufio.Reader) (string, error) {
	var before, last []byte // of a long line its end is enough
	for {
		part, more, err := r.ReadLine()
		if err != nil {
			return "", err
		}
		before, last = last, bytes.Clone(part)
		if !more {
			break
		}
	}
	line := append(before, last...)
	return string(line[bytes.LastIndexByte(line, 0)+1:]), nil
}

func (s *spool) note(word, what string) error {
	_, err := fmt.Fprintf(s.book, "%s %s %s\n", time.Now().UTC().Format(time.RFC3339), word, what)
	return err
}

func (s *spool) has(digest string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, ok := s.known[digest]
	return ok
}

// put stores an entry on the disk for good. It is not sent before release.
func (s *spool) put(e *entry) error {
	b, err := json.Marshal(e)
	if err != nil {
		return err
	}
	e.file = filepath.Join(s.dir, e.Digest[:32]+".entry")
	if err := writeSafe(e.file, b); err != nil {
		return fmt.Errorf("spool: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.note("taken", e.Digest); err != nil {
		// The file is tried again: were it known, it would count as sent.
		return fmt.Errorf("spool: %w", errors.Join(err, os.Remove(e.file)))
	}
	s.known[e.Digest] = struct{}{}
	e.Data = nil
	return nil
}

// release gives entries to be sent.
func (s *spool) release(es []*entry) {
	if len(es) == 0 {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wait = append(s.wait, es...)
	slices.SortStableFunc(s.wait, byTime)
	close(s.more)
	s.more = make(chan struct{})
}

// next waits for the oldest entry, and reads it. Together with an error comes the entry that
// cannot be read.
func (s *spool) next(ctx context.Context) (*entry, error) {
	for {
		s.mu.Lock()
		more := s.more
		if len(s.wait) > 0 {
			e := s.wait[0]
			s.mu.Unlock()
			whole, err := readEntry(e.file)
			if err != nil {
				return e, err
			}
			return whole, nil
		}
		s.mu.Unlock()
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-more:
		}
	}
}

// count says how many files wait.
func (s *spool) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.wait)
}

// wasSent says whether a reading of a waiting entry was sent already.
func (s *spool) wasSent(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, ok := s.sent[id]
	return ok
}

// markSent remembers that one reading of an entry with several is sent.
func (s *spool) markSent(id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent[id] = struct{}{}
	return s.note("sent", id)
}

// done removes an entry. again says that the same file may come again: it was not sent.
func (s *spool) done(e *entry, again bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wait = slices.DeleteFunc(s.wait, func(w *entry) bool { return w.file == e.file })
	for _, p := range e.Data {
		delete(s.sent, p.ID)
	}
	if again {
		delete(s.known, e.Digest)
		if err := s.note("again", e.Digest); err != nil {
			return err
		}
	}
	return os.Remove(e.file)
}

// setAside leaves an entry that cannot be read where a person may look at it.
func (s *spool) setAside(e *entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wait = slices.DeleteFunc(s.wait, func(w *entry) bool { return w.file == e.file })
	_ = os.Rename(e.file, e.file+".damaged")
	_ = s.forget(e.file) // else the file counts as taken, and is not sent when it comes again
}

// drop takes an entry back that was put and not released.
func (s *spool) drop(e *entry) error { return s.done(e, true) }

// pack makes an entry of readings.
func pack(readings []*protocol.Reading) ([]packed, time.Time, error) {
	var out []packed
	var first time.Time
	for i, r := range readings {
		data, err := Pack(r)
		if err != nil {
			if len(readings) > 1 {
				return nil, first, fmt.Errorf("reading %d of %d: %w", i+1, len(readings), err)
			}
			return nil, first, err
		}
		if first.IsZero() || r.TakenAt.Before(first) {
			first = r.TakenAt
		}
		out = append(out, packed{ID: r.ID, Site: r.Site, Printer: r.Printer, Body: data})
	}
	return out, first, nil
}

// writeSafe writes a file so that after a crash the old or the new content is there, and never a
// part.
func writeSafe(path string, data []byte) error {
	tmp := path + ".new"
	f, err := os.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		_ = os.Remove(tmp) // on a full disk it would take the place that the next needs
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return syncfolder.Sync(filepath.Dir(path))
}
