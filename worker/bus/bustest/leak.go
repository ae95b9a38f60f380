package bustest

import (
	"fmt"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// leakLimit is how long goroutines may take to end after the last test: servers and connections end some
// of theirs by themselves, as soon as a busy machine lets them.
const leakLimit = time.Minute

// Main runs the tests of a package and fails when goroutines are left behind that do not end.
func Main(m *testing.M, options ...goleak.Option) {
	status := m.Run()
	if status == 0 {
		err := goleak.Find(options...) // looks for half a second itself
		for end := time.Now().Add(leakLimit); err != nil && time.Now().Before(end); {
			err = goleak.Find(options...)
		}
		if err != nil {
			fmt.Fprintf(os.Stderr, "left behind by the tests of this package: %v\n", err)
			status = 1
		}
	}
	os.Exit(status)
}
