package bus

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// scanPart is how much of a picture one message holds.
const scanPart = 512 << 10

// scanEnd says that all of a picture is there.
type scanEnd struct {
	Bytes int64 `json:"bytes"`
	Parts int   `json:"parts"`
}

// owner is under whose name a connection stores pictures: its key, which is all that it may.
func owner(js jetstream.JetStream) string {
	if key := js.Conn().Opts.Nkey; key != "" {
		return key
	}
	return "local"
}

// ErrScansFull says that the store of pictures has no room for one. It is not an outage: what else is
// sent is taken.
var ErrScansFull = errors.New("the store of pictures is full")

// PutScan stores a picture under its SHA-256, unless this client has stored it already. One that was
// broken off is completed. The error is ErrScansFull when there is no room for it.
func PutScan(ctx context.Context, js jetstream.JetStream, digest string, r io.Reader) error {
	s, err := js.Stream(ctx, protocol.StreamScans)
	if err != nil {
		return fmt.Errorf("pictures: %w", err)
	}
	me := owner(js)
	_, err = s.GetLastMsgForSubject(ctx, protocol.ScanSubject(me, digest, protocol.ScanEnd))
	if err == nil {
		return nil
	}
	if !errors.Is(err, jetstream.ErrMsgNotFound) {
		return fmt.Errorf("pictures: %w", err)
	}
	if err := roomFor(s.CachedInfo(), r); err != nil {
		return fmt.Errorf("picture %.12s: %w", digest, err)
	}
	var end scanEnd
	sum := sha256.New()
	b := make([]byte, scanPart)
	for {
		n, err := io.ReadFull(r, b)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
		if n == 0 {
			break
		}
		sum.Write(b[:n])
		if err := putOnce(ctx, js, protocol.ScanSubject(me, digest, strconv.Itoa(end.Parts)), b[:n]); err != nil {
			return fmt.Errorf("picture %.12s, part %d: %w", digest, end.Parts+1, err)
		}
		end.Parts, end.Bytes = end.Parts+1, end.Bytes+int64(n)
	}
	if hex.EncodeToString(sum.Sum(nil)) != digest {
		return fmt.Errorf("picture %.12s has changed since it was read", digest)
	}
	data, err := json.Marshal(end)
	if err != nil {
		return err
	}
	if err := putOnce(ctx, js, protocol.ScanSubject(me, digest, protocol.ScanEnd), data); err != nil {
		return fmt.Errorf("picture %.12s: %w", digest, err)
	}
	return nil
}

// putOnce stores a message under a subject that takes one; what is there stays.
func putOnce(ctx context.Context, js jetstream.JetStream, subject string, data []byte) error {
	_, err := js.Publish(ctx, subject, data, jetstream.WithExpectStream(protocol.StreamScans))
	var api *jetstream.APIError
	switch {
	case !errors.As(err, &api):
	case strings.Contains(api.Description, "per subject"):
		return nil
	case strings.Contains(api.Description, "maximum bytes"), strings.Contains(api.Description, "maximum messages"):
		// Not wrapped: for other streams this passes, and a caller would wait for it.
		return fmt.Errorf("%w: %s", ErrScansFull, api.Description)
	}
	return err
}

// roomFor says whether a picture fits, before the first of its parts takes room that the next needs.
// Where the picture's size is not known, the store tells.
func roomFor(info *jetstream.StreamInfo, r io.Reader) error {
	f, ok := r.(interface{ Stat() (fs.FileInfo, error) })
	if !ok || info.Config.MaxBytes <= 0 {
		return nil
	}
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if free := info.Config.MaxBytes - int64(min(info.State.Bytes, math.MaxInt64)); st.Size() > free {
		return fmt.Errorf("%w: it may hold %d MiB, %d MiB are free, and this one has %d MiB", ErrScansFull, info.Config.MaxBytes>>20, max(free, 0)>>20, (st.Size()+1<<20-1)>>20)
	}
	return nil
}

// ErrNoScan says that no whole picture of a digest is stored.
var ErrNoScan = errors.New("no such picture is stored at the bus")

// ScanFile is where a picture is written to.
type ScanFile interface {
	io.WriteSeeker
	Truncate(size int64) error
}

// GetScan writes the picture of a digest to f, whose content is nothing to rely on after an error.
func GetScan(ctx context.Context, js jetstream.JetStream, digest string, f ScanFile) (size int64, err error) {
	var ends []Message
	_, err = direct(ctx, js.Conn(), protocol.StreamScans, directRequest{LastFor: []string{protocol.ScanSubject("*", digest, protocol.ScanEnd)}, Batch: 100},
		func(m Message) error { ends = append(ends, m); return nil })
	if err != nil {
		return 0, fmt.Errorf("picture %.12s: %w", digest, err)
	}
	err = ErrNoScan
	// Another may have stored something else under this digest: the digest tells.
	for _, end := range ends {
		if size, err = getScan(ctx, js, end, digest, f); err == nil {
			return size, nil
		}
	}
	return 0, fmt.Errorf("picture %.12s: %w", digest, err)
}

func getScan(ctx context.Context, js jetstream.JetStream, m Message, digest string, f ScanFile) (int64, error) {
	var end scanEnd
	if err := json.Unmarshal(m.Data, &end); err != nil {
		return 0, fmt.Errorf("it is damaged: %w", err)
	}
	s, err := js.Stream(ctx, protocol.StreamScans)
	if err != nil {
		return 0, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return 0, err
	}
	if err := f.Truncate(0); err != nil {
		return 0, err
	}
	base := strings.TrimSuffix(m.Subject, protocol.ScanEnd)
	sum := sha256.New()
	for i := range end.Parts {
		m, err := s.GetLastMsgForSubject(ctx, base+strconv.Itoa(i))
		if err != nil {
			return 0, fmt.Errorf("part %d of %d: %w", i+1, end.Parts, err)
		}
		sum.Write(m.Data)
		if _, err := f.Write(m.Data); err != nil {
			return 0, err
		}
	}
	if hex.EncodeToString(sum.Sum(nil)) != digest {
		return 0, errors.New("it is damaged: its digest does not match")
	}
	return f.Seek(0, io.SeekCurrent)
}
