package bus_test

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
)

// checkServerConfig lets the server's own parser read a configuration, and compares what it
// understands with the table.
func checkServerConfig(t *testing.T, text string, want *server.Permissions) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "server.conf")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := server.ProcessConfigFile(path)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if len(o.Nkeys) != 1 { // in whatever account
		t.Fatalf("%d users", len(o.Nkeys))
	}
	got := o.Nkeys[0].Permissions
	if (got == nil) != (want == nil) || want != nil && (!reflect.DeepEqual(got.Publish.Allow, want.Publish.Allow) || !reflect.DeepEqual(got.Subscribe.Allow, want.Subscribe.Allow) || !reflect.DeepEqual(got.Response, want.Response)) {
		t.Errorf("the server reads %+v, the table says %+v", got, want)
	}
}
