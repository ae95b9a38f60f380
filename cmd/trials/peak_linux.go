package main

import (
	"fmt"
	"os"
	"strings"
	"sync"
	"time"
)

// watchPeak follows the largest resident memory of a running process, until the function it gives is
// called. (What the system says at the end includes the memory of the process that started it.)
func watchPeak(pid int) (stop func() string) {
	quit := make(chan struct{})
	var wg sync.WaitGroup
	kib := 0
	look := func() {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
		if err != nil {
			return
		}
		if _, after, ok := strings.Cut(string(b), "VmHWM:"); ok {
			var n int
			if _, err := fmt.Sscan(after, &n); err == nil {
				kib = max(kib, n)
			}
		}
	}
	wg.Go(func() {
		t := time.NewTicker(5 * time.Millisecond)
		defer t.Stop()
		for {
			select {
			case <-quit:
				return
			case <-t.C:
				look()
			}
		}
	})
	return func() string {
		close(quit)
		wg.Wait()
		return fmt.Sprintf("%d MB at most", kib/1024)
	}
}
