//go:build unix

package doctor

import (
	"os"
	"path/filepath"
	"testing"
)

// TestSecretsModes goes through who may read a file that holds a secret.
func TestSecretsModes(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("only root can give files away")
	}
	for _, c := range []struct {
		owner int
		mode  os.FileMode
		open  bool
	}{
		{0, 0o600, false},
		{0, 0o400, false},
		{0, 0o440, false}, // a mounted secret, or the settings of a service with a user of its own
		{0, 0o640, false},
		{0, 0o660, true}, // the group may change it
		{0, 0o644, true},
		{0, 0o604, true},
		{65532, 0o600, false},
		{65532, 0o640, true}, // a person's file, for the person's group
	} {
		path := filepath.Join(t.TempDir(), "secret")
		if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(path, c.owner, 65532); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, c.mode); err != nil {
			t.Fatal(err)
		}
		if got := len(Secret(path)) > 0; got != c.open {
			t.Errorf("owner %d, mode %04o: told %v, want %v", c.owner, c.mode, got, c.open)
		}
	}
}
