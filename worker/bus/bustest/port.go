package bustest

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"sync"
	"testing"
)

// given are the ports that FreePort gave in this process.
var given struct {
	sync.Mutex
	ports map[int]bool
}

// FreePort gives an address on this machine, HOST:PORT, for a server whose address must be known before
// it listens. Nobody listens there now, no connection to elsewhere is given it as its own end, which
// would keep a server from listening that starts, or comes back, a moment later, and no other test of
// this process is given it: most servers begin to listen long after they were given a port.
func FreePort(t testing.TB) string {
	t.Helper()
	first, last := outgoing()
	given.Lock()
	defer given.Unlock()
	if given.ports == nil {
		given.ports = map[int]bool{}
	}
	for range 10_000 {
		port := 15_000 + rand.IntN(50_000)
		if given.ports[port] || port >= first && port <= last {
			continue
		}
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err != nil {
			continue
		}
		_ = l.Close()
		given.ports[port] = true
		return l.Addr().String()
	}
	t.Fatal("no port is free between 15000 and 65000")
	return ""
}

// outgoing is the range of ports from which connections are given their own end: what Linux says, else
// the range that IANA has for it and Linux's own default, together.
func outgoing() (first, last int) {
	b, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range")
	if err == nil {
		_, err = fmt.Sscan(string(b), &first, &last)
	}
	// Where all are given away, these are as good as any.
	if err != nil || first < 20_000 && last > 60_000 {
		return 32_768, 65_535
	}
	return first, last
}
