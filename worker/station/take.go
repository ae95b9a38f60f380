package station

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"swathkeeper/protocol"
)

// maxMeasurement bounds a file that is no picture, in bytes: many times what a measurement has.
const maxMeasurement = 64 << 20

// keptLayout is when a layout in a watched folder is looked at again, should it not change.
const keptLayout = 24 * time.Hour

// errUnfinished says that a file is still being written.
var errUnfinished = errors.New("it is still being written")

// takeOne reads a file into the spool and moves it. It gives the entry to be sent, if any, and
// whether the file stays a candidate.
func (w *watcher) takeOne(ctx context.Context, path string, c *candidate) (e *entry, keep bool) {
	now := time.Now()
	log := w.o.Log.With().Str("file", path).Logger()
	rel, err := filepath.Rel(c.root, path)
	if err != nil {
		return nil, false
	}
	digest, readings, err := w.read(ctx, path, rel, c)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, false
	case errors.Is(err, errUnfinished):
		c.due = now.Add(w.o.Quiet)
		return nil, true
	case errors.Is(err, ErrNotNow), err != nil && ctx.Err() != nil:
		if text := err.Error(); text != c.tried {
			log.Warn().Err(err).Msg("left for later")
			c.tried = text
		}
		c.due = now.Add(w.o.Rescan)
		return nil, true
	case err != nil && isLayout(path):
		// It lies beside its pictures, which are read by it.
		log.Info().Msg("the layout of a chart; it stays where it is, for the pictures beside it")
		c.due = now.Add(keptLayout)
		return nil, true
	case err != nil && now.Sub(c.since) < w.o.Patience:
		// More of it may come, or its sidecar, whose coming changes nothing of the file itself.
		if text := err.Error(); text != c.tried {
			log.Debug().Err(err).Msg("not readable yet")
			c.tried = text
		}
		c.due = now.Add(min(w.o.Patience-now.Sub(c.since), max(w.o.Quiet, time.Second)))
		return nil, true
	case err != nil:
		w.refuse(c.root, rel, path, err)
		return nil, false
	}
	if w.spool.has(digest) {
		to, err := moveFile(c.root, DoneDir, rel, path)
		if err != nil {
			return nil, w.stuck(c, now, path, err)
		}
		log.Info().Str("to", to).Msg("taken before; not sent again")
		return nil, false
	}
	data, first, err := pack(readings)
	if err != nil { // checked by read
		w.refuse(c.root, rel, path, err)
		return nil, false
	}
	to, err := freeName(c.root, DoneDir, rel)
	if err != nil {
		return nil, w.stuck(c, now, path, err)
	}
	e = &entry{Digest: digest, Root: c.root, Rel: rel, Path: to, At: first, Data: data}
	if w.o.Store != nil && readings[0].Scan != nil && readings[0].Instrument.Kind == protocol.KindScanner {
		e.Scan = readings[0].Scan.Object
	}
	if err := w.spool.put(e); err != nil {
		return nil, w.stuck(c, now, path, err)
	}
	// From here on a crash loses nothing: the entry is on the disk, and the file is known by its
	// digest should it still lie here.
	if err := os.Rename(path, to); err != nil {
		if err := w.spool.drop(e); err != nil {
			log.Error().Err(err).Msg("spool")
		}
		if errors.Is(err, fs.ErrNotExist) {
			return nil, false // another station on the same share was faster
		}
		return nil, w.stuck(c, now, path, err)
	}
	moveSidecars(path, to)
	log.Debug().Int("readings", len(data)).Msg("taken")
	return e, false
}

// stuck leaves a file because of a fault of this machine or the share, and tries again later.
func (w *watcher) stuck(c *candidate, now time.Time, path string, err error) (keep bool) {
	if text := err.Error(); text != c.tried {
		w.o.Log.Error().Err(err).Str("file", path).Msg("this file cannot be taken; trying again")
		c.tried = text
	}
	c.due = now.Add(w.o.Rescan)
	return true
}

// read gives a file's readings, and its digest: of its content and of where it belongs.
func (w *watcher) read(ctx context.Context, path, rel string, c *candidate) (digest string, out []*protocol.Reading, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", nil, err
	}
	defer func() { _ = f.Close() }()
	before, err := f.Stat()
	if err != nil {
		return "", nil, err
	}
	if stillWritten(f) {
		return "", nil, errUnfinished
	}
	if before.Size() == 0 {
		return "", nil, errors.New("the file is empty")
	}
	var head [16]byte
	n, err := io.ReadFull(f, head[:])
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return "", nil, err
	}
	picture := IsPicture(head[:n])
	if !picture && before.Size() > maxMeasurement {
		return "", nil, fmt.Errorf("the file has %d MB; a measurement has at most %d", before.Size()>>20, maxMeasurement>>20)
	}
	fill, err := fillFor(c.root, rel, w.o.Fill)
	if err != nil {
		return "", nil, err
	}
	h := sha256.New()
	fmt.Fprintf(h, "%q\n", []string{fill.Site, fill.Printer, fill.Media, fill.Preset, fill.Stage, fill.Path, fill.Chart, fill.Kind, fill.Mode, fill.Print})
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return "", nil, err
	}
	if _, err := io.Copy(h, f); err != nil {
		return "", nil, err
	}
	digest = hex.EncodeToString(h.Sum(nil))
	if w.spool.has(digest) {
		return digest, nil, nil
	}
	if picture {
		out, err = w.readPicture(ctx, f, before, fill)
	} else {
		out, err = ReadFile(path, fill)
	}
	if err != nil {
		return "", nil, whereToSay(err)
	}
	for _, r := range out {
		if err := contradicts(r, fill); err != nil {
			return "", nil, err
		}
	}
	if _, _, err := pack(out); err != nil {
		return "", nil, whereToSay(err)
	}
	after, err := os.Stat(path)
	if err != nil {
		return "", nil, err
	}
	if !os.SameFile(before, after) || after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime()) {
		return "", nil, errUnfinished
	}
	return digest, out, nil
}

// whereToSay adds to a complaint about what a file cannot know where a person may say it.
func whereToSay(err error) error {
	var missing *protocol.Refusal
	if !errors.As(err, &missing) || missing.Code != protocol.CodeMissing {
		return err
	}
	switch missing.Field {
	case "site", "printer", "condition.media", "condition.preset", "condition.stage", "chart":
		return fmt.Errorf("%w; the folders' names may say it, or a sidecar beside the file (see the help of watch)", err)
	}
	return err
}

// readPicture reads the scan of a chart. What the square code on the sheet says, fill need not.
func (w *watcher) readPicture(ctx context.Context, f *os.File, st fs.FileInfo, fill Fill) ([]*protocol.Reading, error) {
	if w.o.Layouts == nil {
		return nil, errors.New("it is a picture, and this watch takes measurement files only")
	}
	r, s, err := FromPicture(f, st.Size(), st.ModTime(), fill, w.o.Layouts.beside(filepath.Dir(f.Name())).finder(ctx, fill), w.o.Calibration)
	if err != nil && w.o.IsAway(err) {
		return nil, fmt.Errorf("%w: %w", ErrNotNow, err)
	}
	if err != nil {
		return nil, err
	}
	for _, text := range s.Warnings {
		w.o.Log.Warn().Str("file", f.Name()).Msg(text)
	}
	return []*protocol.Reading{r}, nil
}

// refuse moves a file to where refused files lie, with a note of why.
func (w *watcher) refuse(root, rel, path string, why error) {
	log := w.o.Log.With().Str("file", path).Logger()
	to, err := moveFile(root, RefusedDir, rel, path)
	if err != nil {
		log.Error().Err(err).AnErr("why", why).Msg("a file that is refused cannot be moved")
		return
	}
	moveSidecars(path, to)
	text := fmt.Sprintf("%s was not taken on %s:\n\n%s\n\nNothing of it was sent. When it is put right, move it back to\n%s\n",
		filepath.Base(rel), time.Now().Format(time.RFC1123), why, filepath.Join(root, rel))
	if err := os.WriteFile(to+".why.txt", []byte(text), 0o644); err != nil {
		log.Error().Err(err).Msg("note of a refused file")
	}
	log.Warn().AnErr("why", why).Str("to", to).Msg("refused")
}

// freeName gives a name below a folder that no file has yet, and makes the folder.
func freeName(root, sub, rel string) (string, error) {
	to := filepath.Join(root, sub, rel)
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return "", err
	}
	ext := filepath.Ext(to)
	bare := strings.TrimSuffix(to, ext)
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, fs.ErrNotExist) {
			return to, nil
		} else if err != nil {
			return "", err
		}
		to = fmt.Sprintf("%s-%d%s", bare, n, ext)
	}
}

func moveFile(root, sub, rel, path string) (string, error) {
	to, err := freeName(root, sub, rel)
	if err != nil {
		return "", err
	}
	return to, os.Rename(path, to)
}

// moveSidecars lets a file's sidecars go with it. One that another file shares stays.
func moveSidecars(from, to string) {
	_ = os.Rename(from+".toml", to+".toml")
	bare := strings.TrimSuffix(from, filepath.Ext(from))
	entries, err := os.ReadDir(filepath.Dir(from))
	if err != nil || filepath.Base(bare)+".toml" == FolderFile {
		return
	}
	for _, e := range entries {
		if n := e.Name(); n != filepath.Base(bare)+".toml" && strings.TrimSuffix(n, filepath.Ext(n)) == filepath.Base(bare) {
			return
		}
	}
	_ = os.Rename(bare+".toml", strings.TrimSuffix(to, filepath.Ext(to))+".toml")
}
