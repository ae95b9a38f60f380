package chat

import (
	"bytes"
	"context"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// TestANameCannotLeadInside: a name that resolved to somewhere outside when it was configured, and to
// this machine when it is used, is refused at the moment of dialling.
func TestANameCannotLeadInside(t *testing.T) {
	inner := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("the inside was reached") }))
	defer inner.Close()
	_, port, err := net.SplitHostPort(inner.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	for _, to := range [][4]byte{{127, 0, 0, 1}, {169, 254, 169, 254}, {0, 0, 0, 0}} {
		asked := make(chan string, 100)
		at := serveNames(t, to, asked)
		g := newGuard(false, false, time.Minute, time.Now)
		d := g.dialer()
		d.Resolver = &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, "udp", at)
		}}
		g.client.Transport.(*http.Transport).DialContext = d.DialContext
		_, err = g.post(t.Context(), "http://hook.example.:"+port+"/x", "text/plain", strings.NewReader("x"), nil)
		var e *sendError
		if !errors.As(err, &e) || e.what != GiveUp || e.text != errLocal.Error() {
			t.Errorf("a name that leads to %v: %v", to, err)
		}
		if len(asked) == 0 {
			t.Error("the name was never looked up")
		}
		g.close()
	}
}

// serveNames answers every question for an IPv4 address with one.
func serveNames(t *testing.T, with [4]byte, asked chan<- string) (address string) {
	t.Helper()
	c, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() { _ = c.Close(); <-done })
	go func() {
		defer close(done)
		b := make([]byte, 1500)
		for {
			n, from, err := c.ReadFrom(b)
			if err != nil {
				return
			}
			if n < 17 {
				continue
			}
			// RFC 1035, 4.1: the header is 12 bytes; the question ends with a zero byte and its type and class.
			end := 12 + bytes.IndexByte(b[12:n], 0) + 5
			if end < 17 || end > n {
				continue
			}
			asked <- string(b[12:end])
			answer := append([]byte{b[0], b[1], 0x81, 0x80, 0, 1, 0, 0, 0, 0, 0, 0}, b[12:end]...)
			if b[end-3] == 1 { // an IPv4 address is wanted
				answer[7] = 1
				answer = append(answer, 0xc0, 12, 0, 1, 0, 1, 0, 0, 0, 0, 0, 4)
				answer = append(answer, with[:]...)
			}
			_, _ = c.WriteTo(answer, from)
		}
	}()
	return c.LocalAddr().String()
}
