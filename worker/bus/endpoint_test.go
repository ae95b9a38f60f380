package bus_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
)

// Where the endpoint's file cannot be written, as on a full disk, the bus starts all the same, leaves no
// rest of a file, and shows its endpoint as soon as it can. A folder in the file's place stands for the
// full disk.
func TestEndpointThatCannotBeShown(t *testing.T) {
	dir := t.TempDir()
	blocked := filepath.Join(dir, bus.EndpointFile)
	if err := os.MkdirAll(filepath.Join(blocked, "in the way"), 0o700); err != nil {
		t.Fatal(err)
	}
	e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: dir, Listen: "127.0.0.1:0", MaxStore: 1 << 30, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Stop)
	nc, _, err := bus.Connect(t.Context(), bus.ConnectOptions{URL: e.Endpoint.Address, Token: e.Endpoint.Token, Log: zerolog.Nop()})
	if err != nil {
		t.Fatalf("nobody answers at its address: %v", err)
	}
	nc.Close()
	e.ShowHealth("127.0.0.1:1")
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if strings.HasSuffix(f.Name(), ".new") {
			t.Errorf("%s is left", f.Name())
		}
	}
	changes, err := fsnotify.NewWatcher()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = changes.Close() })
	if err := changes.Add(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(blocked); err != nil {
		t.Fatal(err)
	}
	for limit := time.After(time.Minute); ; {
		ep, err := bus.ReadEndpoint(dir)
		if err == nil {
			if ep.Address != e.Endpoint.Address || ep.Health != "127.0.0.1:1" {
				t.Errorf("shown: %+v", ep)
			}
			return
		}
		select {
		case <-changes.Events:
		case <-limit:
			t.Fatal(err)
		}
	}
}
