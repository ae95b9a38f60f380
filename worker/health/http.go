package health

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// probeLimit bounds one look at the worker; a bus that does not answer in it counts as away.
const probeLimit = 4 * time.Second

// Server answers /healthz, /readyz and /metrics.
type Server struct {
	// Address is where it listens, HOST:PORT.
	Address string
	server  *http.Server
	done    chan error
}

// CheckAddress says what is wrong with an address to listen at, HOST:PORT.
func CheckAddress(address string) error {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("health address %q: give HOST:PORT, such as 127.0.0.1:4280, or off", address)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return fmt.Errorf("health address %q: the port must be 0 to 65535", address)
	}
	return nil
}

// Serve listens at HOST:PORT. report must be safe for many callers and heed its context.
//
//	/healthz  200 while the worker works or waits for what will come back; 503 when only a restart helps
//	/readyz   200 while bus, store and judging work, with the report as JSON; 503 else
//	/metrics  the figures, in the Prometheus text format
//
// It answers reading requests only, and takes no input.
func Serve(address string, report func(context.Context) *Report, m *Metrics) (*Server, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("health address %q: %w", address, err)
	}
	m.follow(report)
	mux := http.NewServeMux()
	answer := func(ok func(*Report) bool) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			ctx, cancel := context.WithTimeout(r.Context(), probeLimit)
			defer cancel()
			rep := report(ctx)
			w.Header().Set("Content-Type", "application/json")
			w.Header().Set("Cache-Control", "no-store")
			if !ok(rep) {
				w.WriteHeader(http.StatusServiceUnavailable)
			}
			e := json.NewEncoder(w)
			e.SetIndent("", "  ")
			_ = e.Encode(rep)
		}
	}
	mux.HandleFunc("GET /healthz", answer(func(r *Report) bool { return r.Live }))
	mux.HandleFunc("GET /readyz", answer(func(r *Report) bool { return r.Ready }))
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: 2 * probeLimit}))
	s := &Server{
		Address: l.Addr().String(),
		server: &http.Server{
			Handler: mux, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 20 * time.Second, IdleTimeout: time.Minute,
			MaxHeaderBytes: 16 << 10,
		},
		done: make(chan error, 1),
	}
	go func() { s.done <- s.server.Serve(l) }()
	return s, nil
}

// Stop ends listening and lets answers that have begun be finished.
func (s *Server) Stop(ctx context.Context) error {
	err := s.server.Shutdown(ctx)
	if err != nil {
		_ = s.server.Close()
	}
	if served := <-s.done; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	return err
}
