package chat

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"syscall"
	"time"
)

// guard makes every connection to a service.
type guard struct {
	allowLocal bool          // this machine and link-local addresses
	loopback   bool          // this machine: the target's URL itself names it
	timeout    time.Duration // of one attempt
	now        func() time.Time
	client     *http.Client
	// hide takes the target's secrets out of a text; nil: there are none.
	hide func(string) string
}

const (
	attemptTimeout = 10 * time.Second
	maxAnswer      = 4 << 10
	maxRedirects   = 3
)

// refused is why the guard itself will not go where it was sent; trying again does not help.
type refused string

func (r refused) Error() string { return string(r) }

const (
	errLocal     refused = "the address is of this machine or link-local; set inside for this target if that is meant"
	errElsewhere refused = "the service redirects to another host, which is not followed"
	errLoses     refused = "the service redirects in a way that loses the message"
	errCircles   refused = "the service redirects in circles"
	errNoMachine refused = "the address is no single machine's"
)

func newGuard(allowLocal, loopback bool, timeout time.Duration, now func() time.Time) *guard {
	g := &guard{allowLocal: allowLocal, loopback: loopback, timeout: timeout, now: now}
	g.client = &http.Client{
		Timeout: timeout,
		Transport: &http.Transport{
			// No proxy: the check of the dialled address would check the proxy's.
			DialContext:           g.dialer().DialContext,
			TLSHandshakeTimeout:   timeout,
			ResponseHeaderTimeout: timeout,
			MaxIdleConns:          1,
			IdleConnTimeout:       30 * time.Second,
			ForceAttemptHTTP2:     true,
		},
		CheckRedirect: sameHost,
	}
	return g
}

func (g *guard) dialer() *net.Dialer {
	return &net.Dialer{Timeout: g.timeout, Control: g.check}
}

// check looks at the address that is about to be dialled, after names were resolved, so that no
// name can lead where a number would not be let.
func (g *guard) check(_, addr string, _ syscall.RawConn) error {
	ap, err := netip.ParseAddrPort(addr)
	if err != nil {
		return fmt.Errorf("address %q: %w", addr, err)
	}
	ip := ap.Addr().Unmap()
	if ip.IsMulticast() || ip == netip.AddrFrom4([4]byte{255, 255, 255, 255}) {
		return errNoMachine
	}
	if g.loopback && ip.IsLoopback() {
		return nil
	}
	if g.allowLocal {
		return nil
	}
	if ip.Is4() && ip.As4()[0] == 0 { // this network, RFC 1122, 3.2.1.3
		return errLocal
	}
	for _, to := range append(carried(ip), ip) {
		if to.IsLoopback() || to.IsLinkLocalUnicast() || to.IsUnspecified() {
			return errLocal
		}
	}
	return nil
}

// carried gives the IPv4 addresses that a network may take an IPv6 address for: whoever answers for a name
// could lead to this machine, or to a link-local address, by way of a translator or a tunnel.
func carried(ip netip.Addr) []netip.Addr {
	if !ip.Is6() {
		return nil
	}
	b := ip.As16()
	v4 := func(i, j, k, l int) netip.Addr { return netip.AddrFrom4([4]byte{b[i], b[j], b[k], b[l]}) }
	last := v4(12, 13, 14, 15)
	for _, p := range []string{
		"::/96",           // IPv4-compatible, RFC 4291, 2.5.5.1
		"::ffff:0:0/96",   // IPv4-mapped, RFC 4291, 2.5.5.2
		"::ffff:0:0:0/96", // IPv4-translated, RFC 7915 and RFC 6052, 2.1
		"64:ff9b::/96",    // RFC 6052, 2.1
	} {
		if netip.MustParsePrefix(p).Contains(ip) {
			if last == netip.AddrFrom4([4]byte{0, 0, 0, 1}) { // ::1, which is looked at as it is
				return nil
			}
			return []netip.Addr{last}
		}
	}
	switch {
	case netip.MustParsePrefix("64:ff9b:1::/48").Contains(ip): // RFC 8215, at any of the places of RFC 6052, 2.2
		return []netip.Addr{v4(6, 7, 9, 10), v4(7, 9, 10, 11), v4(9, 10, 11, 12), last}
	case netip.MustParsePrefix("2002::/16").Contains(ip): // 6to4, RFC 3056
		return []netip.Addr{v4(2, 3, 4, 5)}
	case netip.MustParsePrefix("2001::/32").Contains(ip): // Teredo, RFC 4380: the server, and the client, turned
		for i := 12; i < 16; i++ {
			b[i] ^= 0xff
		}
		return []netip.Addr{v4(4, 5, 6, 7), v4(12, 13, 14, 15)}
	case (b[8] == 0 || b[8] == 2) && b[9] == 0 && b[10] == 0x5e && b[11] == 0xfe: // ISATAP, RFC 5214
		return []netip.Addr{last}
	}
	return nil
}

// sameHost follows a redirect only within the host and scheme that the target names. The standard
// client repeats a POST only for 307 and 308; for the others it would become a GET without the
// message, so those are refused too.
func sameHost(req *http.Request, via []*http.Request) error {
	first := via[0]
	if req.URL.Host != first.URL.Host || req.URL.Scheme != first.URL.Scheme {
		return errElsewhere
	}
	if req.Method != first.Method {
		return errLoses
	}
	if len(via) > maxRedirects {
		return errCircles
	}
	return nil
}

// post sends one request and judges the answer.
func (g *guard) post(ctx context.Context, to string, contentType string, body io.Reader, header map[string]string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to, body)
	if err != nil {
		return nil, &sendError{what: GiveUp, text: "the url is not one that a message can be sent to"}
	}
	req.Header.Set("Content-Type", contentType)
	req.Header.Set("User-Agent", "swathkeeper")
	for k, v := range header {
		req.Header.Set(k, v)
	}
	resp, err := g.client.Do(req)
	if err != nil {
		if resp != nil { // a refused redirect comes with the answer that asked for it
			_ = resp.Body.Close()
		}
		return nil, g.failed(ctx, err)
	}
	defer func() { _ = resp.Body.Close() }()
	said, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil && Retry(resp.StatusCode) != Sent {
		said = nil
	}
	return said, g.answered(resp, said, g.now())
}

func (g *guard) close() { g.client.CloseIdleConnections() }

// failed turns an error without an answer into a sendError, leaving out the URL that the standard
// client's errors hold.
func (g *guard) failed(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var u *url.Error
	timeout := false
	if errors.As(err, &u) {
		timeout = u.Timeout()
		err = u.Err
	}
	e := &sendError{what: Again}
	var no refused
	var dns *net.DNSError
	var cert *tls.CertificateVerificationError
	var plain tls.RecordHeaderError
	switch {
	case errors.As(err, &no):
		e.what, e.text = GiveUp, no.Error()
	case timeout, errors.Is(err, context.DeadlineExceeded):
		e.text = "the service did not answer in time"
	case errors.Is(err, syscall.ECONNREFUSED):
		e.text = "the service's host refuses the connection"
	case errors.Is(err, syscall.ECONNRESET), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		e.text = "the service broke off the connection"
	case errors.As(err, &cert):
		e.text = "the service's certificate is not accepted: " + certificateFault(cert.Err)
	case errors.As(err, &plain), errors.Is(err, http.ErrSchemeMismatch):
		e.text = "the service does not speak TLS at this address"
	case errors.As(err, &dns):
		e.text = "the service's host name cannot be resolved"
	default:
		e.text = "no connection to the service: " + g.quote(innermost(err))
	}
	return e
}

// maxQuote is how much of what another program says is repeated.
const maxQuote = 120

// quote shortens what another program said to one line for people. Secrets are taken out first: a
// half of one would not be recognised any more.
func (g *guard) quote(s string) string {
	s = clean(s)
	if g.hide != nil {
		s = g.hide(s)
	}
	return clip(s, maxQuote)
}

// certificateFault says what is wrong with a certificate; the library's own words hold names.
func certificateFault(err error) string {
	var host x509.HostnameError
	var invalid x509.CertificateInvalidError
	var unknown x509.UnknownAuthorityError
	switch {
	case errors.As(err, &host):
		return "it is for another name"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "it has expired, or this machine's clock is wrong"
	case errors.As(err, &unknown):
		return "nobody whom this machine trusts has signed it"
	}
	return "it is not valid for this"
}

// innermost is the text of the error at the bottom, without the addresses that the layers above add.
func innermost(err error) string {
	for {
		next := errors.Unwrap(err)
		if next == nil {
			return err.Error()
		}
		err = next
	}
}
