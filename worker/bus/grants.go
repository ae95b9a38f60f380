package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/gofrs/flock"
	"github.com/nats-io/nkeys"

	"swathkeeper/worker/limited"
	"swathkeeper/worker/syncfolder"
)

// GrantsFile is the name of the file in the data folder that says who may do what. It holds public
// keys only. A running worker takes changes to it by itself.
const GrantsFile = "grants.json"

// Grants is the content of the grants file.
type Grants struct {
	Grants []Grant `json:"grants"`
}

// Find gives the grant of a name, or nil.
func (g *Grants) Find(name string) *Grant {
	for i := range g.Grants {
		if g.Grants[i].Name == name {
			return &g.Grants[i]
		}
	}
	return nil
}

// ReadGrants reads the grants of a data folder; there are none when it has no such file.
func ReadGrants(dir string) (*Grants, error) {
	path := filepath.Join(dir, GrantsFile)
	b, err := limited.Read(path, limited.Large)
	if errors.Is(err, fs.ErrNotExist) {
		return &Grants{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("grants: %w", err)
	}
	var g Grants
	if err := json.Unmarshal(b, &g); err != nil {
		return nil, fmt.Errorf("grants %s are damaged: %w; bring the file back from a copy or an export, or remove it and grant anew with `swathkeeper station grant` (keys that are known by no grant are refused)", path, err)
	}
	names, keys := map[string]bool{}, map[string]bool{}
	for i := range g.Grants {
		one := &g.Grants[i]
		if err := one.Validate(); err != nil {
			return nil, fmt.Errorf("grants %s: %w", path, err)
		}
		if !nkeys.IsValidPublicUserKey(one.Key) {
			return nil, fmt.Errorf("grants %s: %s: %q is not the public half of a user's nkey", path, one.Name, one.Key)
		}
		if names[one.Name] || keys[one.Key] {
			return nil, fmt.Errorf("grants %s: %s or its key stands twice", path, one.Name)
		}
		names[one.Name], keys[one.Key] = true, true
	}
	return &g, nil
}

// NewKey makes an nkey for a user: seed is the private half, which its holder keeps.
func NewKey() (public string, seed []byte, err error) {
	kp, err := nkeys.CreateUser()
	if err != nil {
		return "", nil, fmt.Errorf("nkey: %w", err)
	}
	defer kp.Wipe()
	if public, err = kp.PublicKey(); err != nil {
		return "", nil, fmt.Errorf("nkey: %w", err)
	}
	s, err := kp.Seed()
	if err != nil {
		return "", nil, fmt.Errorf("nkey: %w", err)
	}
	return public, slices.Clone(s), nil
}

// ErrNoGrant says that a name has no grant.
var ErrNoGrant = errors.New("nothing was granted to that name")

// PutGrant adds a grant, or changes what its name may do. A grant without a key keeps the key that
// the name has; old is what it had before, nil when the name is new.
func PutGrant(ctx context.Context, dir string, g Grant) (old *Grant, err error) {
	if err := g.Validate(); err != nil {
		return nil, err
	}
	slices.Sort(g.Printers)
	g.Printers = slices.Compact(g.Printers)
	err = changeGrants(ctx, dir, func(all *Grants) error {
		if have := all.Find(g.Name); have != nil {
			before := *have
			old = &before
			if g.Key == "" {
				g.Key = have.Key
			}
			*have = g
			return nil
		}
		if g.Key == "" {
			return fmt.Errorf("%s: %w", g.Name, ErrNoGrant)
		}
		all.Grants = append(all.Grants, g)
		slices.SortFunc(all.Grants, func(a, b Grant) int { return strings.Compare(a.Name, b.Name) })
		return nil
	})
	return old, err
}

// RevokeGrant takes away what a name was granted. A running worker ends its connections within
// about a second.
func RevokeGrant(ctx context.Context, dir, name string) (old Grant, err error) {
	err = changeGrants(ctx, dir, func(all *Grants) error {
		have := all.Find(name)
		if have == nil {
			return fmt.Errorf("%s: %w", name, ErrNoGrant)
		}
		old = *have
		all.Grants = slices.DeleteFunc(all.Grants, func(g Grant) bool { return g.Name == name })
		return nil
	})
	return old, err
}

// changeGrants reads, changes and writes the file under a lock of its own: the worker's lock on the
// folder is held for as long as it runs.
func changeGrants(ctx context.Context, dir string, change func(*Grants) error) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	lockPath := filepath.Join(dir, GrantsFile+".lock")
	lock := flock.New(lockPath, flock.SetPermissions(0o600))
	limited, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if got, err := lock.TryLockContext(limited, 20*time.Millisecond); err != nil || !got {
		return fmt.Errorf("grants: another command is changing them: %w", err)
	}
	defer func() { _ = lock.Unlock() }()
	all, err := ReadGrants(dir)
	if err != nil {
		return err
	}
	if err := change(all); err != nil {
		return err
	}
	b, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return err
	}
	path := filepath.Join(dir, GrantsFile)
	if err := writeAside(path, append(b, '\n')); err != nil {
		return fmt.Errorf("grants: %w", err)
	}
	// Whoever is called root for this must not lock the worker out of its own folder.
	return errors.Join(giveToOwner(dir, path), giveToOwner(dir, lockPath))
}

// writeAside writes a file of mode 0600 next to path and renames it into place, so that a reader
// sees the old or the new content and never a part.
func writeAside(path string, data []byte) error {
	tmp, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-*")
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(tmp.Name()) }()
	_, err = tmp.Write(data)
	if err == nil {
		err = tmp.Sync()
	}
	if err := errors.Join(err, tmp.Close()); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return err
	}
	return syncfolder.Sync(filepath.Dir(path)) // or a power cut would undo a revocation
}
