package bustest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"net/url"
	"strings"
	"testing"
	"time"
)

// PublishRaw publishes a message with a block of headers exactly as it is given, which no client library
// would send, over a connection of its own, and returns once the server has taken it.
func PublishRaw(t testing.TB, address, token, subject string, headers, data []byte) {
	t.Helper()
	at, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", at.Host)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	hello, err := json.Marshal(map[string]any{"auth_token": token, "headers": true, "no_responders": true, "verbose": false, "protocol": 1})
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(c, "CONNECT %s\r\nHPUB %s %d %d\r\n%s%s\r\nPING\r\n", hello, subject, len(headers), len(headers)+len(data), headers, data)
	for in := bufio.NewScanner(c); in.Scan(); {
		switch line := in.Text(); {
		case strings.HasPrefix(line, "PONG"):
			return
		case strings.HasPrefix(line, "-ERR"):
			t.Fatal(line)
		}
	}
	t.Fatal("the server does not answer")
}
