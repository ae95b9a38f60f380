// Package bus is the worker's way to NATS: the server inside the process or one outside, the
// streams and stores, and the commit of a record. It decides nothing about readings.
package bus

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gofrs/flock"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"swathkeeper/worker/limited"
)

// EmbeddedOptions says where the server inside the process keeps its store and where it listens.
type EmbeddedOptions struct {
	// Dir is the data folder. It is created with mode 0700 when it is not there.
	Dir string
	// Listen is HOST:PORT. Beyond loopback it is taken only when somebody was granted a key, and
	// everything is encrypted. Port 0 picks a free one. Empty: no listener, connections come from
	// this process alone.
	Listen string
	// Cert and Key are PEM files of the certificate shown to clients. Without them one is generated
	// when it listens beyond loopback.
	Cert, Key string
	// SyncAlways writes every message through to the disk before it is acknowledged, so that a
	// power cut loses nothing that a station was told is safe.
	SyncAlways bool
	// MaxStore bounds the store in bytes.
	MaxStore int64
	// LockWait is how long to wait for another process to leave the folder.
	LockWait time.Duration
	Log      zerolog.Logger
}

// ErrLocked says that another process holds the data folder.
var ErrLocked = errors.New("the data folder is in use by another swathkeeper")

// Embedded is a NATS server with JetStream inside this process.
type Embedded struct {
	Endpoint Endpoint // where clients find it; zero without a listener

	// srv is replaced when its store has to be opened anew; see revive.go.
	srv      atomic.Pointer[server.Server]
	options  func() *server.Options
	log      *serverLog
	mu       sync.Mutex
	trouble  string        // why the store cannot be written; empty: it can
	unshown  bool          // the endpoint's file could not be written
	quit     chan struct{} // ends watching over the store
	watched  chan struct{}
	token    string
	dir      string
	lock     *flock.Flock
	shadow   string // of a store that is only looked at; removed when done
	guard    *guard
	stopOnce sync.Once
}

// Endpoint is what a running worker leaves in its data folder, so that the commands find it.
type Endpoint struct {
	Address string `json:"address"` // nats://HOST:PORT
	Token   string `json:"token"`
	PID     int    `json:"pid"`
	// Fingerprint is the SHA-256 of the certificate that the worker shows; empty: not encrypted.
	Fingerprint string `json:"fingerprint,omitzero"`
	// Health is where the worker answers /healthz, /readyz and /metrics, HOST:PORT; empty: nowhere.
	Health string `json:"health,omitzero"`
}

// EndpointFile is the name of the endpoint's file in the data folder.
const EndpointFile = "endpoint.json"

// StartEmbedded takes the folder's lock, starts the server and waits until JetStream works. On an
// error everything it had begun is undone.
func StartEmbedded(ctx context.Context, o EmbeddedOptions) (*Embedded, error) {
	host, port, beyond, err := listenAddress(o.Listen)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if beyond {
		if all, err := ReadGrants(o.Dir); err != nil {
			return nil, err
		} else if len(all.Grants) == 0 {
			return nil, fmt.Errorf("listen address %q is beyond this machine, and nobody was granted a key: do `swathkeeper station grant NAME --site SITE --printer PRINTER` first, or listen on 127.0.0.1", o.Listen)
		}
	}
	lock, err := takeLock(ctx, o.Dir, o.LockWait, o.Log)
	if err != nil {
		return nil, err
	}
	e := &Embedded{dir: o.Dir, lock: lock}
	undo := true
	defer func() {
		if undo {
			e.Stop()
		}
	}()
	if e.token, err = newToken(); err != nil {
		return nil, err
	}
	log := &serverLog{log: o.Log.With().Str("part", "bus").Logger(), broken: make(chan struct{}, 1)}
	if e.guard, err = newGuard(o.Dir, e.token, host, log.log); err != nil {
		return nil, err
	}
	log.denied, log.seldom = e.guard.denied, e.guard.seldom
	var encrypted *tls.Config
	if beyond || o.Cert != "" || o.Key != "" {
		if o.Cert == "" && CertGone(o.Dir) {
			log.log.Error().Msg("the certificate is gone from the data folder, and a new one is made: stations trust the old one only; bring " + CertFile + " and " + KeyFile + " back from a copy, or give the new fingerprint to every station")
		}
		cert, err := ServerCert(o.Dir, o.Cert, o.Key, host)
		if err != nil {
			return nil, err
		}
		encrypted = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
		e.Endpoint.Fingerprint = Fingerprint(cert.Leaf.Raw)
	}
	e.log = log
	e.options = func() *server.Options {
		opts := serverOptions(filepath.Join(o.Dir, "bus"), o.MaxStore)
		opts.Host, opts.Port, opts.DontListen, opts.SyncAlways = host, port, o.Listen == "", o.SyncAlways
		opts.AlwaysEnableNonce = true // what holders of keys sign
		opts.CustomClientAuthentication = e.guard
		opts.TLSConfig, opts.TLSTimeout = encrypted, 5
		return opts
	}
	if err := e.launch(); err != nil {
		return nil, err
	}
	if at, ok := e.srv.Load().Addr().(*net.TCPAddr); ok && o.Listen != "" {
		port = at.Port // a server that is started again listens where clients look for it
	}
	if o.Listen != "" {
		e.Endpoint.Address, e.Endpoint.Token, e.Endpoint.PID = e.localURL(), e.token, os.Getpid()
		e.showEndpoint()
	}
	e.quit, e.watched = make(chan struct{}), make(chan struct{})
	go e.watch()
	undo = false
	return e, nil
}

// launch starts a server on the folder and waits until it and its store work.
func (e *Embedded) launch() error {
	s, err := server.NewServer(e.options())
	if err != nil {
		return fmt.Errorf("embedded bus: %w", err)
	}
	e.log.reset()
	s.SetLoggerV2(e.log, false, false, false)
	if e.guard != nil {
		if err := e.guard.follow(s); err != nil {
			return err
		}
	}
	s.Start()
	e.srv.Store(s)
	return e.await(e.log)
}

// serverOptions are what every server of ours runs with; it listens nowhere.
func serverOptions(store string, maxStore int64) *server.Options {
	return &server.Options{
		ServerName:         "swathkeeper",
		Host:               "127.0.0.1",
		Port:               server.RANDOM_PORT,
		DontListen:         true,
		NoSigs:             true, // else the server ends the process on SIGTERM by itself
		NoSystemAccount:    true,
		JetStream:          true,
		StoreDir:           store,
		JetStreamMaxStore:  maxStore,
		JetStreamMaxMemory: 32 << 20,
		MaxPayload:         1 << 20,
		MaxConn:            connectionsAll,
		MaxSubs:            listensEach,
		MaxPending:         pendingAtMost,
	}
}

// await waits until the server and its store work.
func (e *Embedded) await(log *serverLog) error {
	if !e.srv.Load().ReadyForConnections(10 * time.Second) {
		err := log.fatal()
		if o := e.options(); err != nil && !o.DontListen && strings.Contains(err.Error(), "listen") {
			return fmt.Errorf("cannot listen on %s: another program does, perhaps another worker; stop that one or give --listen another port, such as 127.0.0.1:4333: %w",
				net.JoinHostPort(o.Host, strconv.Itoa(o.Port)), err)
		}
		return fmt.Errorf("embedded bus did not start: %w", err)
	}
	// A bad store is told to the logger only; the server then runs on without its streams.
	if err := log.fatal(); err != nil {
		return fmt.Errorf("embedded bus: %w", err)
	}
	if !e.srv.Load().JetStreamEnabled() {
		return errors.New("embedded bus: the store cannot be used; see the log")
	}
	return nil
}

// InProcessConn lets nats.go connect without a socket.
func (e *Embedded) InProcessConn() (net.Conn, error) { return e.srv.Load().InProcessConn() }

// Stop ends the server, waits for it and leaves the folder. It may be called twice.
func (e *Embedded) Stop() {
	e.stopOnce.Do(func() {
		if e.quit != nil {
			close(e.quit)
			<-e.watched
		}
		if e.guard != nil {
			e.guard.stop()
		}
		if s := e.srv.Load(); s != nil {
			s.Shutdown()
			s.WaitForShutdown()
		}
		if e.Endpoint.Address != "" {
			_ = os.Remove(filepath.Join(e.dir, EndpointFile))
		}
		if e.shadow != "" {
			_ = os.RemoveAll(e.shadow)
		}
		if e.lock != nil {
			_ = e.lock.Unlock()
		}
	})
}

// showEndpoint leaves the endpoint in the data folder. Where that cannot be done, on a full disk, the
// worker works all the same, and watch tries again.
func (e *Embedded) showEndpoint() {
	e.mu.Lock()
	defer e.mu.Unlock()
	err := e.writeEndpoint()
	switch {
	case err != nil && !e.unshown:
		e.log.log.Error().Err(err).Msg("the data folder cannot be written: make room on its disk; until then the worker answers at its addresses, and commands on this machine do not find it by its folder")
	case err == nil && e.unshown:
		e.log.log.Info().Msg("commands on this machine find the worker again")
	}
	e.unshown = err != nil
}

// hidden says whether the endpoint is still to be shown.
func (e *Embedded) hidden() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.unshown
}

// writeEndpoint writes the endpoint's file. The lock must be held.
func (e *Embedded) writeEndpoint() error {
	b, err := json.Marshal(e.Endpoint)
	if err != nil {
		return err
	}
	// Written aside and renamed, so that a command never reads half a file; the mode is set at
	// creation, so that the token is never readable by others.
	tmp := filepath.Join(e.dir, EndpointFile+".new")
	_ = os.Remove(tmp)
	err = os.WriteFile(tmp, b, 0o600)
	if err == nil {
		err = os.Rename(tmp, filepath.Join(e.dir, EndpointFile))
	}
	if err != nil {
		_ = os.Remove(tmp)
		return fmt.Errorf("endpoint file: %w", err)
	}
	return nil
}

// ShowHealth adds to the endpoint where the worker tells how it is doing.
func (e *Embedded) ShowHealth(address string) {
	e.mu.Lock()
	e.Endpoint.Health = address
	shown := e.Endpoint.Address != ""
	e.mu.Unlock()
	if shown {
		e.showEndpoint()
	}
}

// localURL is the address for this machine: that of the listener, or loopback where it listens on
// every address.
func (e *Embedded) localURL() string {
	u, err := url.Parse(e.srv.Load().ClientURL())
	if err != nil {
		return e.srv.Load().ClientURL()
	}
	if ip := net.ParseIP(u.Hostname()); ip != nil && ip.IsUnspecified() {
		u.Host = net.JoinHostPort("127.0.0.1", u.Port())
	}
	return u.String()
}

// ReadEndpoint finds the worker that runs on a data folder. The error is fs.ErrNotExist when none
// does.
func ReadEndpoint(dir string) (Endpoint, error) {
	var ep Endpoint
	b, err := limited.Read(filepath.Join(dir, EndpointFile), limited.Small)
	if err != nil {
		return ep, err
	}
	if err := json.Unmarshal(b, &ep); err != nil || ep.Address == "" {
		if err == nil {
			err = errors.New("it names no address")
		}
		return ep, fmt.Errorf("%s is damaged: %w; restart the worker, which writes it anew, or remove the file if none runs", filepath.Join(dir, EndpointFile), err)
	}
	return ep, nil
}

// CheckListen says what is wrong with an address to listen at, HOST:PORT.
func CheckListen(listen string) error {
	_, _, _, err := listenAddress(listen)
	return err
}

// listenAddress splits a listen address; beyond says that others than this machine can reach it.
func listenAddress(listen string) (host string, port int, beyond bool, err error) {
	if listen == "" {
		return "127.0.0.1", server.RANDOM_PORT, false, nil
	}
	host, text, err := net.SplitHostPort(listen)
	if err != nil {
		return "", 0, false, fmt.Errorf("listen address %q: give HOST:PORT, such as 127.0.0.1:4222", listen)
	}
	if port, err = strconv.Atoi(text); err != nil || port < 0 || port > 65535 {
		return "", 0, false, fmt.Errorf("listen address %q: the port must be 0 to 65535", listen)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	switch host {
	case "localhost":
		host = "127.0.0.1"
	case "":
		host = "0.0.0.0"
	}
	ip := net.ParseIP(host)
	if ip == nil {
		return "", 0, false, fmt.Errorf("listen address %q: give an address of this machine in numbers, 0.0.0.0 for all of them, or 127.0.0.1 for this machine alone", listen)
	}
	return host, port, !ip.IsLoopback(), nil
}

// tellAfter is how long another program may hold the folder before it is said: a command that looks
// into it is done in a moment.
const tellAfter = time.Second

func takeLock(ctx context.Context, dir string, wait time.Duration, log zerolog.Logger) (*flock.Flock, error) {
	lock := flock.New(filepath.Join(dir, "lock"), flock.SetPermissions(0o600))
	got, err := lock.TryLock()
	if err == nil && !got && wait > 0 {
		limited, cancel := context.WithTimeout(ctx, wait)
		defer cancel()
		tell := time.AfterFunc(tellAfter, func() {
			log.Warn().Str("data", dir).Str("for", wait.String()).Msg("waiting for another swathkeeper to leave the data folder")
		})
		got, err = lock.TryLockContext(limited, 100*time.Millisecond)
		tell.Stop()
		if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
			err = nil
		}
	}
	if err != nil {
		return nil, fmt.Errorf("lock of the data folder: %w", err)
	}
	if !got {
		return nil, fmt.Errorf("%s: %w", dir, ErrLocked)
	}
	return lock, nil
}

func newToken() (string, error) {
	var b [24]byte
	if _, err := rand.Read(b[:]); err != nil {
		return "", fmt.Errorf("token: %w", err)
	}
	return hex.EncodeToString(b[:]), nil
}

// serverLog hands the server's log to zerolog and keeps its last fatal message, which is the only
// way that the server tells of a store it cannot open.
type serverLog struct {
	log    zerolog.Logger
	denied func(text string) bool // takes over messages about denied operations
	// seldom says whether a message about a client is logged, and as what; nil: all are.
	seldom func(text string) (string, bool)
	broken chan struct{} // told when a write has failed; may be nil
	mu     sync.Mutex
	last   error
}

// reset forgets what an earlier server had to say.
func (l *serverLog) reset() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.last = nil
}

func (l *serverLog) fatal() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}

func (l *serverLog) few(text string) (string, bool) {
	if l.seldom == nil {
		return text, true
	}
	return l.seldom(text)
}

// Noticef is the server's chatter about itself: debug for us.
func (l *serverLog) Noticef(f string, v ...any) { l.log.Debug().Msgf(f, v...) }
func (l *serverLog) Warnf(f string, v ...any) {
	if text, ok := l.few(fmt.Sprintf(f, v...)); ok {
		l.log.Warn().Msg(text)
	}
}
func (l *serverLog) Errorf(f string, v ...any) {
	text := fmt.Sprintf(f, v...)
	if l.denied != nil && l.denied(text) {
		return
	}
	if text, ok := l.few(text); ok {
		l.log.Error().Msg(text)
	}
	if l.broken != nil && strings.Contains(strings.ToLower(text), "write error") {
		select {
		case l.broken <- struct{}{}:
		default:
		}
	}
}
func (l *serverLog) Debugf(f string, v ...any) { l.log.Trace().Msgf(f, v...) }
func (l *serverLog) Tracef(f string, v ...any) { l.log.Trace().Msgf(f, v...) }

// Fatalf does not end the process: StartEmbedded turns it into an error.
func (l *serverLog) Fatalf(f string, v ...any) {
	l.mu.Lock()
	l.last = fmt.Errorf(f, v...)
	l.mu.Unlock()
	l.log.Error().Msgf(f, v...)
}

var (
	_ server.Logger              = (*serverLog)(nil)
	_ nats.InProcessConnProvider = (*Embedded)(nil)
)
