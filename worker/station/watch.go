package station

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"
)

// WatchOptions says which folders to watch and what to do with what is found.
type WatchOptions struct {
	// Dirs are the folders. Files taken go to done/ in the same folder, files that cannot be
	// taken to refused/, each under the path it had, with a note beside it.
	Dirs []string
	// Spool is a folder on this machine's own disk, for what is taken and not yet sent.
	Spool string
	// Fill is what all files have in common.
	Fill Fill
	// Quiet is how long a file must stay as it is before it counts as finished.
	Quiet time.Duration
	// Patience is how long a file that is quiet and cannot be read is left where it is, before it
	// is refused: more of it may come, or its sidecar.
	Patience time.Duration
	// Rescan is how often the folders are looked through, since a network share does not tell of
	// changes.
	Rescan time.Duration
	// Layouts are for scans of charts. A scan whose layout cannot be fetched now waits.
	Layouts *Layouts
	// Calibration turns the scanner's light into colours; may be nil.
	Calibration *Calibration
	// Store keeps the picture behind a reading at the bus, before the reading is sent; nil: it stays
	// in done/ alone.
	Store func(ctx context.Context, digest, path string) error
	// Publish stores a packed reading in the inbox, and may fail with what IsAway knows.
	Publish func(ctx context.Context, site, printer, id string, data []byte) (seq uint64, twice bool, err error)
	// IsAway says that an error is the bus's and will pass.
	IsAway func(error) bool
	Log    zerolog.Logger
	// OnSent is told of every reading that the bus has stored.
	OnSent func(site, printer, id string, seq uint64, twice bool)
}

// ErrNotNow is wrapped by errors that will pass by themselves.
var ErrNotNow = errors.New("not now")

// ErrDenied is wrapped by errors of readings that this station may not send.
var ErrDenied = errors.New("this station may not send them")

// Folders for what was taken and what was not.
const (
	DoneDir    = "done"
	RefusedDir = "refused"
)

func (o WatchOptions) withDefaults() WatchOptions {
	if o.Quiet == 0 {
		o.Quiet = 2 * time.Second
	}
	if o.Patience == 0 {
		o.Patience = 30 * time.Second
	}
	if o.Rescan == 0 {
		o.Rescan = 15 * time.Second
	}
	return o
}

// Watch takes files until ctx ends. What was taken and not sent by then stays in the spool.
func Watch(ctx context.Context, o WatchOptions) error {
	o = o.withDefaults()
	w := &watcher{o: o, seen: map[string]*candidate{}, nextRescan: time.Now()}
	for _, dir := range o.Dirs {
		root, err := prepareRoot(dir)
		if err != nil {
			return err
		}
		for _, have := range w.roots {
			if within(have, root) || within(root, have) {
				return fmt.Errorf("watch: %s and %s lie in each other", have, root)
			}
		}
		w.roots = append(w.roots, root)
	}
	if len(w.roots) == 0 {
		return errors.New("watch: name at least one folder")
	}
	var err error
	if w.spool, err = openSpool(o.Spool, time.Now()); err != nil {
		return err
	}
	defer w.spool.close()
	for _, d := range w.spool.damaged {
		w.o.Log.Error().AnErr("why", d.why).Str("entry", d.file).Str("file", d.path).Msg("an entry of the spool is damaged and set aside: its file was not sent; find it in done, and move it back to where it came from")
	}
	if w.notify, err = fsnotify.NewWatcher(); err != nil {
		o.Log.Warn().Err(err).Msgf("the system tells of no changes; the folders are looked through every %s", o.Rescan)
	} else {
		defer func() { _ = w.notify.Close() }()
	}
	if o.Calibration != nil {
		o.Log.Info().Msgf("colours of scans by the %s", o.Calibration.Name)
	}
	if n := w.spool.count(); n > 0 {
		o.Log.Info().Int("files", n).Msg("files from before wait to be sent")
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	sent := make(chan error, 1)
	go func() { sent <- w.send(ctx); cancel() }()
	err = w.take(ctx)
	cancel()
	return errors.Join(err, <-sent)
}

// prepareRoot checks that files can be moved within a watched folder.
func prepareRoot(dir string) (string, error) {
	root, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	if st, err := os.Stat(root); err != nil {
		return "", fmt.Errorf("watch: %w", err)
	} else if !st.IsDir() {
		return "", fmt.Errorf("watch: %s is no folder", root)
	}
	for _, sub := range []string{DoneDir, RefusedDir} {
		if err := os.MkdirAll(filepath.Join(root, sub), 0o755); err != nil {
			return "", fmt.Errorf("watch: files taken are moved to %s: %w", filepath.Join(root, sub), err)
		}
	}
	f, err := os.CreateTemp(root, ".writable-*")
	if err != nil {
		return "", fmt.Errorf("watch: files taken are moved, and %s cannot be written to: %w", root, err)
	}
	_ = f.Close()
	return root, os.Remove(f.Name())
}

func within(outer, inner string) bool {
	rel, err := filepath.Rel(outer, inner)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

// watcher is a running watch.
type watcher struct {
	o          WatchOptions
	roots      []string
	spool      *spool
	notify     *fsnotify.Watcher
	seen       map[string]*candidate
	nextRescan time.Time
	scansFull  bool // it was said that the bus keeps no more pictures
}

// candidate is a file that was seen and not yet taken. Times are this machine's: a share's clock
// may be another.
type candidate struct {
	root  string
	size  int64
	mod   time.Time
	since time.Time // when it was last seen to have changed
	due   time.Time // when to look at it again
	tried string    // why it could not be taken
}

// beat is how often candidates are looked at.
const beat = 250 * time.Millisecond

// take is the one goroutine that looks at the folders.
func (w *watcher) take(ctx context.Context) error {
	var events <-chan fsnotify.Event
	var faults <-chan error
	if w.notify != nil {
		events, faults = w.notify.Events, w.notify.Errors
	}
	t := time.NewTimer(0)
	defer t.Stop()
	at := time.Now() // when the timer goes off
	for {
		select {
		case <-ctx.Done():
			return nil
		case ev := <-events:
			w.event(ev)
			if due := w.soonest(); due.Before(at) { // a file that was not known before
				at = due
				t.Reset(max(beat, time.Until(at)))
			}
			continue
		case err := <-faults:
			w.o.Log.Warn().Err(err).Msg("changes may have been missed; looking through the folders")
			w.nextRescan = time.Now()
		case <-t.C:
		}
		now := time.Now()
		if !now.Before(w.nextRescan) {
			w.rescan(now)
			w.nextRescan = now.Add(w.o.Rescan)
		}
		w.finished(ctx, now)
		at = w.soonest()
		t.Reset(max(beat, time.Until(at)))
	}
}

// soonest is when there is something to look at next.
func (w *watcher) soonest() time.Time {
	next := w.nextRescan
	for _, c := range w.seen {
		if c.due.Before(next) {
			next = c.due
		}
	}
	return next
}

// event notes what the system tells.
func (w *watcher) event(ev fsnotify.Event) {
	if !ev.Has(fsnotify.Create) && !ev.Has(fsnotify.Write) && !ev.Has(fsnotify.Rename) {
		return
	}
	root := w.rootOf(ev.Name)
	if root == "" {
		return
	}
	st, err := os.Lstat(ev.Name)
	if err != nil {
		return
	}
	now := time.Now()
	if st.IsDir() {
		w.walk(root, ev.Name, now)
	} else {
		w.see(root, ev.Name, st, now)
	}
}

func (w *watcher) rootOf(path string) string {
	for _, r := range w.roots {
		if within(r, path) {
			return r
		}
	}
	return ""
}

// rescan looks through every folder.
func (w *watcher) rescan(now time.Time) {
	for _, root := range w.roots {
		if _, err := os.Stat(root); err != nil {
			w.o.Log.Error().Err(err).Msg("a watched folder is away; waiting for it")
			continue
		}
		w.walk(root, root, now)
	}
}

// maxDepth bounds how deep folders are followed: more than the names have meaning for.
const maxDepth = 6

func (w *watcher) walk(root, from string, now time.Time) {
	_ = filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			if !errors.Is(err, fs.ErrNotExist) {
				w.o.Log.Warn().Err(err).Msg("folder not looked through")
			}
			return nil
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return nil
		}
		if d.IsDir() {
			if path != root && skipDir(rel) {
				return fs.SkipDir
			}
			if w.notify != nil {
				if err := w.notify.Add(path); err != nil {
					w.o.Log.Debug().Err(err).Str("folder", path).Msg("its changes are not told; it is looked through only")
				}
			}
			return nil
		}
		if st, err := d.Info(); err == nil {
			w.see(root, path, st, now)
		}
		return nil
	})
}

func skipDir(rel string) bool {
	return rel == DoneDir || rel == RefusedDir || strings.HasPrefix(filepath.Base(rel), ".") || strings.Count(rel, string(filepath.Separator)) >= maxDepth
}

// halfDone are the endings that programs give to files they have not finished.
var halfDone = []string{".tmp", ".temp", ".part", ".partial", ".filepart", ".crdownload", ".new", ".lock", "~"}

// isCandidate says whether a file may be a measurement by its name.
func isCandidate(name string) bool {
	low := strings.ToLower(name)
	if strings.HasPrefix(low, ".") || strings.HasPrefix(low, "~") || strings.HasSuffix(low, ".toml") || low == "thumbs.db" || low == "desktop.ini" {
		return false
	}
	return !slices.ContainsFunc(halfDone, func(end string) bool { return strings.HasSuffix(low, end) })
}

// see notes a file, and whether it has changed.
func (w *watcher) see(root, path string, st fs.FileInfo, now time.Time) {
	if !st.Mode().IsRegular() || !isCandidate(filepath.Base(path)) {
		return
	}
	if rel, err := filepath.Rel(root, path); err != nil || skipDir(strings.SplitN(rel, string(filepath.Separator), 2)[0]) {
		return
	}
	c := w.seen[path]
	if c == nil {
		c = &candidate{root: root, since: now}
		w.seen[path] = c
	} else if st.Size() == c.size && st.ModTime().Equal(c.mod) {
		return
	}
	c.size, c.mod, c.since, c.tried = st.Size(), st.ModTime(), now, ""
	c.due = now.Add(w.o.Quiet)
}

// finished takes the files that have been quiet for long enough, oldest first.
func (w *watcher) finished(ctx context.Context, now time.Time) {
	var ready []string
	for path, c := range w.seen {
		if now.Before(c.due) {
			continue
		}
		st, err := os.Lstat(path)
		if err != nil || !st.Mode().IsRegular() {
			delete(w.seen, path) // moved away by somebody
			continue
		}
		w.see(c.root, path, st, now)
		if !now.Before(c.due) {
			ready = append(ready, path)
		}
	}
	slices.SortFunc(ready, func(a, b string) int {
		if c := w.seen[a].mod.Compare(w.seen[b].mod); c != 0 {
			return c
		}
		return strings.Compare(a, b)
	})
	// All are spooled before the first is sent, so that a pile that has come together is sent in
	// the order of its readings' times.
	var taken []*entry
	for _, path := range ready {
		if ctx.Err() != nil {
			break
		}
		e, keep := w.takeOne(ctx, path, w.seen[path])
		if !keep {
			delete(w.seen, path)
		}
		if e != nil {
			taken = append(taken, e)
		}
	}
	w.spool.release(taken)
}
