package bus

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	neturl "net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"github.com/rs/zerolog"

	"swathkeeper/worker/limited"
)

// ConnectOptions says which bus to use and as whom.
type ConnectOptions struct {
	Name string // shown by the server's monitoring
	// Embedded, when set, is connected to without a socket.
	Embedded *Embedded
	// Follow, when set, is the data folder of a worker on this machine: its endpoint is looked up at
	// every attempt, so that the connection survives its restarts.
	Follow string
	// URL of an outside bus; several, separated by commas, for a cluster.
	URL   string
	Token string
	Creds string // file with credentials
	NKey  string // file with the private part of an nkey
	// Context names a NATS context file of this user; it fills what the fields above leave empty.
	Context string
	// CA, Cert and Key are PEM files for TLS.
	CA, Cert, Key string
	// Fingerprint is the SHA-256 of the one certificate to trust, in place of an authority.
	Fingerprint string
	Log         zerolog.Logger
	// Patient keeps on trying when the bus is not there at first. A worker is patient; a command
	// tells its user.
	Patient bool
	// Unreached is told why an attempt to connect failed; it must not block.
	Unreached func(error)
	// Denied is told of every operation that the bus did not allow; it must not block.
	Denied func(error)
	// Closed is called when the connection is given up for good.
	Closed func(error)
}

// Connect opens a connection that comes back by itself after an outage.
func Connect(ctx context.Context, o ConnectOptions) (*nats.Conn, jetstream.JetStream, error) {
	if o.Context != "" {
		if err := o.fillFromContext(); err != nil {
			return nil, nil, err
		}
	}
	for _, file := range []string{o.Creds, o.NKey, o.CA, o.Cert, o.Key} {
		if err := limited.Check(file, limited.Small); err != nil {
			return nil, nil, err
		}
	}
	log := o.Log.With().Str("part", "bus").Logger()
	var refused seldom
	opts := []nats.Option{
		nats.Name(o.Name),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(500 * time.Millisecond),
		nats.RetryOnFailedConnect(o.Patient),
		nats.Timeout(5 * time.Second),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn().Err(err).Msg("the bus is away; waiting for it")
			}
		}),
		nats.ReconnectErrHandler(func(_ *nats.Conn, err error) {
			if o.Unreached != nil {
				o.Unreached(err)
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) { log.Info().Msg("the bus is back") }),
		// A denied publish is only a time-out to its caller; the reason comes here.
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			if hint := connectHint(err); hint == "" {
				log.Error().Err(err).Msg("bus")
			} else if refused.again(time.Now()) {
				log.Error().Err(err).Msg("the bus does not let this one in" + hint)
			}
			if o.Denied != nil && errors.Is(err, nats.ErrPermissionViolation) {
				o.Denied(err)
			}
		}),
		nats.ClosedHandler(func(nc *nats.Conn) {
			if o.Closed != nil {
				o.Closed(nc.LastError())
			}
		}),
	}
	url := o.URL
	switch {
	case o.Embedded != nil:
		opts = append(opts, nats.InProcessServer(o.Embedded), nats.Token(o.Embedded.token))
	case o.Follow != "":
		url = "nats://127.0.0.1" // the dialler knows better
		opts = append(opts, nats.SetCustomDialer(follower(o.Follow)), nats.TokenHandler(func() string {
			ep, _ := ReadEndpoint(o.Follow)
			return ep.Token
		}))
		// Taken where the worker encrypts: it may begin only after this, or with another certificate.
		o.Fingerprint = ""
		opts = append(opts, func(n *nats.Options) error {
			n.TLSConfig = pinnedTo(func() (string, error) {
				ep, err := ReadEndpoint(o.Follow)
				return ep.Fingerprint, err
			})
			return nil
		})
	case o.Creds != "":
		opts = append(opts, nats.UserCredentials(o.Creds))
	case o.NKey != "":
		key, err := nats.NkeyOptionFromSeed(o.NKey)
		if err != nil {
			return nil, nil, fmt.Errorf("nkey file %s: %w", o.NKey, err)
		}
		public, err := publicKey(o.NKey)
		if err != nil {
			return nil, nil, fmt.Errorf("nkey file %s: %w", o.NKey, err)
		}
		opts = append(opts, key, nats.CustomInboxPrefix(InboxPrefix(public)))
	case o.Token != "":
		opts = append(opts, nats.Token(o.Token))
	}
	if o.Patient {
		// Credentials that are not good now may be granted again.
		opts = append(opts, nats.IgnoreAuthErrorAbort())
	}
	switch {
	case o.Fingerprint != "":
		conf, err := pinned(o.Fingerprint)
		if err != nil {
			return nil, nil, err
		}
		opts = append(opts, nats.Secure(conf))
	case o.CA != "":
		opts = append(opts, nats.RootCAs(o.CA))
	}
	if o.Cert != "" {
		opts = append(opts, nats.ClientCert(o.Cert, o.Key))
	}
	nc, err := nats.Connect(url, opts...)
	if err != nil {
		return nil, nil, fmt.Errorf("bus %s: %w%s", Redact(url), err, connectHint(err))
	}
	js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(5*time.Second))
	if err != nil {
		nc.Close()
		return nil, nil, fmt.Errorf("bus %s: %w", Redact(url), err)
	}
	return nc, js, nil
}

// seldom lets through one in ten minutes: a station whose key was taken away knocks twice a second.
type seldom struct {
	mu   sync.Mutex
	last time.Time
}

func (s *seldom) again(now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.last.IsZero() && now.Sub(s.last) < 10*time.Minute {
		return false
	}
	s.last = now
	return true
}

// connectHint says what to do about a connection that was refused, where the library's words do not.
func connectHint(err error) string {
	var unknown x509.UnknownAuthorityError
	switch {
	case errors.As(err, &unknown) || strings.Contains(err.Error(), unknown.Error()):
		return "; name the certificate to trust by --tls-fingerprint, which the worker's log shows, or its authority by --tls-ca"
	case errors.Is(err, nats.ErrAuthorization):
		return "; give the key that `swathkeeper station grant` made by --nkey; it may have been revoked or replaced"
	}
	return ""
}

// follower dials whatever worker runs on a data folder.
type follower string

// Dial implements nats.CustomDialer.
func (dir follower) Dial(network, _ string) (net.Conn, error) {
	ep, err := ReadEndpoint(string(dir))
	if err != nil {
		return nil, fmt.Errorf("no worker runs on %s: %w", string(dir), err)
	}
	u, err := neturl.Parse(ep.Address)
	if err != nil {
		return nil, err
	}
	return net.DialTimeout(network, u.Host, 5*time.Second)
}

// publicKey gives the public half of the nkey in a file.
func publicKey(file string) (string, error) {
	b, err := limited.Read(file, limited.Small)
	if err != nil {
		return "", err
	}
	kp, err := nkeys.ParseDecoratedNKey(b)
	if err != nil {
		return "", err
	}
	defer kp.Wipe()
	return kp.PublicKey()
}

// fillFromContext reads the same context files as other NATS programs of this user.
func (o *ConnectOptions) fillFromContext() error {
	base := os.Getenv("XDG_CONFIG_HOME")
	if base == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			return err
		}
		base = filepath.Join(home, ".config")
	}
	path := filepath.Join(base, "nats", "context", o.Context+".json")
	b, err := limited.Read(path, limited.Small)
	if err != nil {
		return fmt.Errorf("NATS context %q: %w", o.Context, err)
	}
	var c struct{ URL, Token, Creds, NKey, CA, Cert, Key string }
	if err := json.Unmarshal(b, &c); err != nil {
		return fmt.Errorf("NATS context %s: %w", path, err)
	}
	for _, f := range []struct {
		to   *string
		from string
	}{{&o.URL, c.URL}, {&o.Token, c.Token}, {&o.Creds, c.Creds}, {&o.NKey, c.NKey}, {&o.CA, c.CA}, {&o.Cert, c.Cert}, {&o.Key, c.Key}} {
		if *f.to == "" {
			*f.to = f.from
		}
	}
	return nil
}

// CheckURL says what is wrong with the address of an outside bus; several stand between commas. Empty
// is right: a context may name it.
func CheckURL(addresses string) error {
	if addresses == "" {
		return nil
	}
	for a := range strings.SplitSeq(addresses, ",") {
		a = strings.TrimSpace(a)
		if !strings.Contains(a, "://") {
			a = "nats://" + a
		}
		u, err := neturl.Parse(a)
		if err != nil || u.Hostname() == "" || strings.Contains(u.Hostname(), ":") && net.ParseIP(u.Hostname()) == nil {
			return fmt.Errorf("bus %s: give nats://HOST:PORT; several with commas", Redact(addresses))
		}
		switch u.Scheme {
		case "nats", "tls", "ws", "wss":
		default:
			return fmt.Errorf("bus %s: it begins with %s://; give nats:// or tls://", Redact(addresses), u.Scheme)
		}
	}
	return nil
}

// Redact leaves out whatever stands before @ in a URL: it may be a password.
func Redact(url string) string {
	for i := len(url) - 1; i >= 0; i-- {
		if url[i] == '@' {
			return "nats://…" + url[i:]
		}
	}
	return url
}

// IsAway reports whether err means that the bus or its store cannot take anything just now, so
// that the same call may succeed later.
func IsAway(err error) bool {
	if err == nil {
		return false
	}
	var api *jetstream.APIError
	if errors.As(err, &api) {
		// 503 and the store's own "no space" and "maximum" answers pass when there is room again.
		return api.Code == 503 || api.ErrorCode == 10077 || api.ErrorCode == 10023 || api.ErrorCode == 10028 || api.ErrorCode == 10047
	}
	return errors.Is(err, nats.ErrTimeout) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrNoResponders) ||
		errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, nats.ErrConnectionReconnecting) || errors.Is(err, nats.ErrDisconnected) || errors.Is(err, nats.ErrConnectionClosed) ||
		errors.Is(err, nats.ErrReconnectBufExceeded)
}
