package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestFilesThatAreTooLarge names files that hold far too much wherever a file with settings, a secret or a
// layout is expected: each is refused by its name, and none is read into memory first (they are sparse, a
// terabyte long).
func TestFilesThatAreTooLarge(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	huge := filepath.Join(dir, "huge")
	f, err := os.Create(huge)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(1 << 40); err != nil {
		t.Skipf("no sparse files here: %v", err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	settings := filepath.Join(dir, "chat.toml")
	if err := os.WriteFile(settings, []byte("[chat.night]\nurl_file = \""+huge+"\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	p := &program{t: t, dir: filepath.Join(dir, "data")}
	for _, args := range [][]string{
		{"run", "--config", huge},
		{"run", "--config", settings},
		{"run", "--alive-file", huge},
		{"run", "--listen", "127.0.0.1:0", "--listen-cert", huge, "--listen-key", huge},
		{"printers", "--nats", "127.0.0.1:1", "--nkey", huge},
		{"printers", "--nats", "127.0.0.1:1", "--creds", huge},
		{"printers", "--nats", "tls://127.0.0.1:1", "--tls-ca", huge},
		{"chart", "add", huge},
		{"judge", "--chart", huge, "--baseline", huge, huge},
		{"settings", "press", "read", "--plan", huge, huge},
	} {
		if out, status := p.try(args...); status == 0 || !strings.Contains(out, "huge holds more than") {
			t.Errorf("%s: status %d, %s", strings.Join(args, " "), status, out)
		}
	}
}
