package main

import (
	"fmt"
	"os"
	"syscall"
)

// peak tells the largest resident memory of a process that has ended.
func peak(st *os.ProcessState) string {
	if u, ok := st.SysUsage().(*syscall.Rusage); ok {
		return fmt.Sprintf("%d MB at most", u.Maxrss/1024) // Linux counts in KiB
	}
	return "memory unknown"
}
