//go:build unix

package scan_test

import (
	"syscall"
	"time"
)

// cpuTime is what this process has used of all cores.
func cpuTime() time.Duration {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return 0
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}
