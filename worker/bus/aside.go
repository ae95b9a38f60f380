package bus

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// AsideFolder is where, in the data folder, a damaged part of the store is kept that was made anew.
const AsideFolder = "aside"

// DamagedConsumer says that the server cannot read the place of a consumer: its file, which is written
// over and over, was torn by a power cut or a copy.
type DamagedConsumer struct {
	Stream, Name string
	Err          error // what the server says
}

func (d *DamagedConsumer) Error() string {
	if strings.Contains(d.Err.Error(), noSpace) {
		return fmt.Sprintf("consumer %s of %s cannot be made: make room on the disk of the NATS server (%v)", d.Name, d.Stream, d.Err)
	}
	return fmt.Sprintf("consumer %s of %s: its place cannot be read, the file of it on the disk of the NATS server is damaged; stop that server, move the folder obs/%[1]s of this stream out of its store, start it, and do `swathkeeper init` again: nothing is judged twice, the records know what was (%v)", d.Name, d.Stream, d.Err)
}

func (d *DamagedConsumer) Unwrap() error { return d.Err }

// Numbers of the server's answer where it can neither read nor make a consumer's file: the second is of
// any consumer that cannot be made, and its text tells.
const (
	consumerStoreFailed = 10104
	consumerFailed      = 10012
)

// AsDamaged makes a DamagedConsumer of the server's answer that it could not make a consumer, and leaves
// every other error as it is.
func AsDamaged(stream, name string, err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) && (api.ErrorCode == consumerStoreFailed || api.ErrorCode == consumerFailed && strings.Contains(api.Description, "creating store")) {
		return &DamagedConsumer{stream, name, err}
	}
	return err
}

// Aside is a consumer's folder that was set aside.
type Aside struct {
	To      string    // where it lies now
	Created time.Time // when the consumer was made; zero: that cannot be read either
	from    string
}

// SetAside moves what is left of a damaged consumer out of the store, so that it can be made anew. The
// server does not hold such a consumer, so it may run meanwhile.
func (e *Embedded) SetAside(stream, name string) (*Aside, error) {
	store := filepath.Join(e.dir, "bus")
	if found, _ := filepath.Glob(filepath.Join(store, "jetstream", "*", "streams", stream, "obs", name)); len(found) == 1 {
		store = found[0]
	} else {
		return nil, fmt.Errorf("consumer %s of %s is damaged, and its folder is not found below %s", name, stream, store)
	}
	a := &Aside{from: store}
	var meta struct {
		Created time.Time
	}
	if b, err := os.ReadFile(filepath.Join(store, "meta.inf")); err == nil && json.Unmarshal(b, &meta) == nil {
		a.Created = meta.Created
	}
	aside := filepath.Join(e.dir, AsideFolder)
	if err := os.MkdirAll(aside, 0o700); err != nil {
		return nil, fmt.Errorf("setting consumer %s aside: %w", name, err)
	}
	base := filepath.Join(aside, stream+"-"+name+"-"+time.Now().UTC().Format("20060102-150405"))
	a.To = base
	for n := 2; ; n++ {
		err := os.Rename(store, a.To)
		if err == nil {
			return a, nil
		}
		if _, there := os.Lstat(a.To); there != nil || n > 100 {
			return nil, fmt.Errorf("setting consumer %s aside: %w", name, err)
		}
		a.To = fmt.Sprintf("%s-%d", base, n)
	}
}

// Back undoes it, where the consumer could not be made anew: it must not pass for one that never was.
func (a *Aside) Back() error {
	_ = os.RemoveAll(a.from) // what a failed attempt has left
	return os.Rename(a.To, a.from)
}
