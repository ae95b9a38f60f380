package chat

import (
	"errors"
	"net/netip"
	"testing"
	"time"
)

// An IPv6 address that networks take for one of this machine, or a link-local one, is not dialled; those that
// they take for an outside one are. The forms are those of the RFCs' own examples with other IPv4 addresses in
// them: RFC 6052, 2.4 (192.0.2.33 is its example), RFC 3056, 2, RFC 4380, 4, RFC 5214, 6.1.
func TestNoIPv6AddressLeadsInside(t *testing.T) {
	g := newGuard(false, false, time.Minute, time.Now)
	defer g.close()
	for addr, inside := range map[string]bool{
		"::1": true, "::": true, "fe80::1": true, "fe80::1%eth0": true, "0.0.0.0": true, "0.1.2.3": true, "127.8.9.10": true, "169.254.169.254": true,
		"::ffff:127.0.0.1": true, "::ffff:169.254.169.254": true, "::127.0.0.1": true, "::ffff:0:127.0.0.1": true,
		"64:ff9b::127.0.0.1": true, "64:ff9b::a9fe:a9fe": true, "64:ff9b::192.0.2.33": false,
		"64:ff9b:1:7f00:0:100::": true, "64:ff9b:1:a9fe:a9:fe00::": true, "64:ff9b:1::127.0.0.1": true,
		"64:ff9b:1:c000:2:2100:c000:221": false,
		"2002:7f00:1::":                  true, "2002:a9fe:a9fe::1": true, "2002:c000:221::1": false,
		"2001:0:c000:221:0:0:80ff:fffe": true, "2001:0:7f00:1::": true, "2001:0:c000:221:0:0:3fff:fdde": false,
		"2001:db8::5efe:127.0.0.1": true, "2001:db8::200:5efe:169.254.1.1": true, "2001:db8::5efe:192.0.2.33": false,
		"2001:db8::7f00:1": false, "fd00::7f00:1": false, "192.168.1.5": false, "10.0.0.1": false,
	} {
		err := g.check("tcp", netip.AddrPortFrom(netip.MustParseAddr(addr), 443).String(), nil)
		if got := errors.Is(err, errLocal); got != inside || !inside && err != nil {
			t.Errorf("%s: %v", addr, err)
		}
	}
}
