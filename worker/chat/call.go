package chat

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"
)

// Caller calls one address that a person configured, by the rules that messages go by: no redirect
// to another host, no way to this machine or to link-local addresses unless that is meant, ten
// seconds, and the address, which may be a secret, in no error.
type Caller struct {
	g   *guard
	url string
}

// NewCaller checks an address. inside lets it lead to this machine; one that names this machine in
// so many words may without.
func NewCaller(address string, inside bool) (*Caller, error) {
	u, err := url.Parse(strings.TrimSpace(address))
	if err != nil {
		return nil, errURL
	}
	if u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" {
		return nil, errors.New("the address must begin with https:// or http:// and name a host")
	}
	ip, err := netip.ParseAddr(u.Hostname())
	here := strings.EqualFold(u.Hostname(), "localhost") || err == nil && ip.IsLoopback()
	g := newGuard(inside, here, attemptTimeout, time.Now)
	g.hide = Target{URL: u.String()}.redactor().text
	return &Caller{g: g, url: u.String()}, nil
}

// Call asks for the address once. It returns nil when the answer is of the 200s.
func (c *Caller) Call(ctx context.Context) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.url, nil)
	if err != nil {
		return errURL
	}
	req.Header.Set("User-Agent", "swathkeeper")
	resp, err := c.g.client.Do(req)
	if err != nil {
		if resp != nil {
			_ = resp.Body.Close()
		}
		return c.g.failed(ctx, err)
	}
	defer func() { _ = resp.Body.Close() }()
	said, _ := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	return c.g.answered(resp, said, time.Now())
}

// Close lets idle connections go.
func (c *Caller) Close() { c.g.close() }
