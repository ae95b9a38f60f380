package health

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// TestMetricsAreBounded: collectors that ask without end take no more than four at a time, and get an
// answer that says so; a reader that never finishes its question is let go.
func TestMetricsAreBounded(t *testing.T) {
	t.Parallel()
	var asked atomic.Int32
	hold := make(chan struct{})
	begun := make(chan struct{}, 100)
	s, err := Serve("127.0.0.1:0", func(context.Context) *Report {
		asked.Add(1)
		begun <- struct{}{}
		<-hold
		return &Report{Live: true, Ready: true}
	}, NewMetrics("1.2.3"))
	if err != nil {
		t.Fatal(err)
	}
	get := func() int {
		resp, err := http.Get("http://" + s.Address + "/metrics")
		if err != nil {
			t.Error(err)
			return 0
		}
		_ = resp.Body.Close()
		return resp.StatusCode
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if got := get(); got != http.StatusOK {
				t.Errorf("one of the first four: %d", got)
			}
		})
		<-begun
	}
	for range 20 {
		if got := get(); got != http.StatusServiceUnavailable {
			t.Errorf("beyond four: %d", got)
		}
	}
	if n := asked.Load(); n != 4 {
		t.Errorf("the worker was looked at %d times", n)
	}
	close(hold)
	wg.Wait()
	if err := s.Stop(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestOnlyReadingRequests: nothing that is sent to the worker's address is taken in.
func TestOnlyReadingRequests(t *testing.T) {
	t.Parallel()
	s, err := Serve("127.0.0.1:0", func(context.Context) *Report { return &Report{Live: true} }, NewMetrics("1.2.3"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Stop(context.Background()) }()
	for path, want := range map[string]int{"/healthz": 200, "/readyz": 503, "/metrics": 200, "/": 404, "/debug/pprof/": 404} {
		resp, err := http.Get("http://" + s.Address + path)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%s: %d, want %d", path, resp.StatusCode, want)
		}
		if path == "/" || strings.HasPrefix(path, "/debug") {
			continue
		}
		resp, err = http.Post("http://"+s.Address+path, "text/plain", strings.NewReader("x"))
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != http.StatusMethodNotAllowed {
			t.Errorf("POST %s: %d", path, resp.StatusCode)
		}
	}
	c, err := net.Dial("tcp", s.Address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "GET /healthz HTTP/1.1\r\nHost: x\r\nX: %s\r\n\r\n", strings.Repeat("x", 64<<10))
	_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
	b := make([]byte, 64)
	n, _ := c.Read(b)
	if !strings.Contains(string(b[:n]), "431") {
		t.Errorf("64 KiB of header: %q", b[:n])
	}
}
