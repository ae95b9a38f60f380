package bus

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/gofrs/flock"
	"github.com/minio/highwayhash"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
)

// blockSuffix ends the names of the files that hold a stream's messages.
const blockSuffix = ".blk"

// Look opens the store of a data folder that no worker runs on, to read from it, and changes not
// one file of it. It holds the folder's lock until it is stopped, so that no worker starts
// meanwhile; keep it short.
//
// The server writes to a store even when it is only read: indexes on stopping, and repairs after a
// crash. So it is given a shadow of the store in a temporary folder: links to the full message
// blocks, which are never written again, and copies of all else. Scans are left out.
func Look(ctx context.Context, dir string, log zerolog.Logger) (*Embedded, error) {
	if err := mayLook(dir); err != nil {
		return nil, err
	}
	// Opened for reading alone: the lock file must not come into being here, or change.
	lock := flock.New(filepath.Join(dir, "lock"), flock.SetFlag(os.O_RDONLY))
	got, err := lock.TryLock()
	if err == nil && !got {
		// A worker that is just stopping, or another command, is done in a moment.
		wait, cancel := context.WithTimeout(ctx, 2*time.Second)
		got, err = lock.TryLockContext(wait, 50*time.Millisecond)
		cancel()
		if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
			err = nil
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		lock = nil // a folder that was copied here without its lock: nobody works on it
	case err != nil:
		return nil, fmt.Errorf("lock of the data folder: %w", err)
	case !got:
		return nil, fmt.Errorf("%s: %w", dir, ErrLocked)
	}
	e := &Embedded{dir: dir, lock: lock}
	undo := true
	defer func() {
		if undo {
			e.Stop()
		}
	}()
	if e.shadow, err = os.MkdirTemp("", "swathkeeper-look-"); err != nil {
		return nil, fmt.Errorf("temporary folder: %w", err)
	}
	if err := shadowStore(ctx, filepath.Join(dir, "bus"), e.shadow); err != nil {
		return nil, fmt.Errorf("looking into %s: %w", dir, err)
	}
	if err := forgetDuplicates(e.shadow); err != nil {
		return nil, fmt.Errorf("looking into %s: %w", dir, err)
	}
	if e.token, err = newToken(); err != nil {
		return nil, err
	}
	opts := serverOptions(e.shadow, math.MaxInt64/2)
	opts.Authorization = e.token
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("embedded bus: %w", err)
	}
	e.srv.Store(srv)
	slog := &serverLog{log: log}
	srv.SetLoggerV2(slog, false, false, false)
	srv.Start()
	if err := e.await(slog); err != nil {
		return nil, err
	}
	undo = false
	return e, nil
}

// shadowStore builds the shadow of the store src in dst.
func shadowStore(ctx context.Context, src, dst string) error {
	return filepath.WalkDir(src, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		rel, err := filepath.Rel(src, path)
		if err != nil {
			return err
		}
		to := filepath.Join(dst, rel)
		switch {
		case d.IsDir() && d.Name() == protocol.StreamScans:
			return fs.SkipDir
		case d.IsDir():
			return os.MkdirAll(to, 0o700)
		case !d.Type().IsRegular():
			return nil
		case strings.HasSuffix(path, blockSuffix) && !lastBlock(path):
			return link(path, to)
		}
		return copyFile(path, to)
	})
}

// shortWindow is the shortest time for which a server remembers what it has taken.
const shortWindow = 100 * time.Millisecond

var windowSetting = regexp.MustCompile(`"duplicate_window":\d+`)

// forgetDuplicates takes from the streams of a shadow what they know of doubled messages: a server
// that starts reads all that came within that time, which may be hours and most of a store, and
// nothing is ever stored here. Settings that are not as expected are left as they are.
func forgetDuplicates(shadow string) error {
	metas, err := filepath.Glob(filepath.Join(shadow, "jetstream", "*", "streams", "*", "meta.inf"))
	if err != nil {
		return err
	}
	for _, meta := range metas {
		dir := filepath.Dir(meta)
		text, err := os.ReadFile(meta)
		if err != nil {
			return err
		}
		sum, err := os.ReadFile(filepath.Join(dir, "meta.sum"))
		if err != nil || string(sum) != metaSum(filepath.Base(dir), text) {
			continue
		}
		text = windowSetting.ReplaceAll(text, fmt.Appendf(nil, `"duplicate_window":%d`, shortWindow))
		if err := os.WriteFile(meta, text, 0o600); err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, "meta.sum"), []byte(metaSum(filepath.Base(dir), text)), 0o600); err != nil {
			return err
		}
	}
	return nil
}

// metaSum is how the server sums a stream's settings up: HighwayHash-64, keyed by its name.
func metaSum(stream string, text []byte) string {
	key := sha256.Sum256([]byte(stream))
	h, err := highwayhash.NewDigest64(key[:])
	if err != nil {
		return "" // a key of another length than 32
	}
	_, _ = h.Write(text)
	return hex.EncodeToString(h.Sum(nil))
}

// ScansOnDisk is how many bytes the scans of a store that is looked at take: Look leaves them out.
func (e *Embedded) ScansOnDisk() (uint64, error) {
	var n uint64
	err := filepath.WalkDir(filepath.Join(e.dir, "bus"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != blockSuffix || filepath.Base(filepath.Dir(filepath.Dir(path))) != protocol.StreamScans {
			return err
		}
		i, err := d.Info()
		if err != nil {
			return err
		}
		n += uint64(i.Size())
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("scans: %w", err)
	}
	return n, nil
}

// lastBlock says whether a block has none after it: that one is still being filled.
func lastBlock(path string) bool {
	var n int
	if _, err := fmt.Sscanf(filepath.Base(path), "%d"+blockSuffix, &n); err != nil {
		return true
	}
	_, err := os.Stat(filepath.Join(filepath.Dir(path), fmt.Sprintf("%d%s", n+1, blockSuffix)))
	return err != nil
}

// link makes a file appear at another place, by copying it where the system allows no link.
func link(from, to string) error {
	abs, err := filepath.Abs(from)
	if err != nil {
		return err
	}
	if err := os.Symlink(abs, to); err == nil {
		return nil
	}
	return copyFile(from, to)
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	if _, err := io.Copy(out, in); err != nil {
		out.Close()
		return err
	}
	return out.Close()
}
