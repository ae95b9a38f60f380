package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/pprof"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"strings"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/retention"
)

// newSoakWorker is the worker's own process.
func newSoakWorker() *cobra.Command {
	var dir string
	var window, keep time.Duration
	c := &cobra.Command{Use: "soak-worker", Hidden: true, Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		debug.SetMemoryLimit(memoryLimit)
		runtime.MemProfileRate = 16 << 10 // so that little is left to chance in what the heap holds
		ctx, stop := signal.NotifyContext(c.Context(), os.Interrupt)
		defer stop()
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		go func() { // whoever started it is gone
			_, _ = io.Copy(io.Discard, os.Stdin)
			cancel()
		}()
		if err := knowIDsFor(ctx, dir, window); err != nil {
			return err
		}
		address, err := showHeap(ctx)
		if err != nil {
			return err
		}
		log := zerolog.New(c.ErrOrStderr()).Level(zerolog.WarnLevel)
		w, err := worker.New(worker.Options{DataDir: dir, Listen: "127.0.0.1:0", Health: "127.0.0.1:0", Log: log})
		if err != nil {
			return err
		}
		if err := w.Start(ctx); err != nil {
			return err
		}
		if keep > 0 {
			go removeOld(ctx, w, keep, log)
		}
		fmt.Fprintln(c.OutOrStdout(), address)
		return w.Wait(ctx)
	}}
	c.Flags().StringVar(&dir, "data", "", "data folder")
	c.Flags().DurationVar(&window, "window", bus.InboxWindow, "for how long the inbox knows ids")
	c.Flags().DurationVar(&keep, "keep", 0, "how long inputs and records are kept")
	return c
}

// removeOld removes once a minute what is older than keep, by the code that removes once a day what is
// older than 30 days: that is the least that may be kept, so it is told a time that is ahead.
func removeOld(ctx context.Context, w *worker.Worker, keep time.Duration, log zerolog.Logger) {
	const least = 30 * 24 * time.Hour
	t := time.NewTicker(time.Minute)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		plan, err := retention.Look(ctx, w.JetStream(), retention.Policy{Readings: least, Records: least}, time.Now().Add(least-keep))
		if err == nil {
			_, err = plan.Apply(ctx, w.JetStream())
		}
		if err != nil && ctx.Err() == nil {
			log.Warn().Err(err).Msg("old things were not removed")
		}
	}
}

// memoryLimit is what `run` gives the collector as its goal.
const memoryLimit = 192 << 20

// heldBy says how much of the heap the file store's buffers hold, for blocks of up to 8 MB on their way to
// and from the disk, and how much all else does, as the last collections found it. The buffers come and go
// by the piece, of which some are in use at any time: they hide what grows slowly. Worked out from sampled
// allocations as pprof does: one of size s is sampled with probability 1-exp(-s/rate).
func heldBy() (kept, blocks float64) {
	records := make([]runtime.MemProfileRecord, 4096)
	for {
		n, ok := runtime.MemProfile(records, false)
		if ok {
			records = records[:n]
			break
		}
		records = make([]runtime.MemProfileRecord, n+512)
	}
	for _, r := range records {
		if r.InUseObjects() <= 0 {
			continue
		}
		size := float64(r.InUseBytes()) / float64(r.InUseObjects())
		held := float64(r.InUseBytes()) / (1 - math.Exp(-size/float64(runtime.MemProfileRate)))
		if isBlockBuffer(r.Stack()) {
			blocks += held
		} else {
			kept += held
		}
	}
	return kept, blocks
}

// isBlockBuffer reports whether an allocation is of one of the file store's pools of buffers.
func isBlockBuffer(stack []uintptr) bool {
	frames := runtime.CallersFrames(stack)
	for {
		frame, more := frames.Next()
		if !strings.HasPrefix(frame.Function, "runtime.") {
			return filepath.Base(frame.File) == "filestore.go" && strings.Contains(frame.Function, ".init.")
		}
		if !more {
			return false
		}
	}
}

// showHeap answers on loopback what the last collection found in use, and profiles of the heap.
func showHeap(ctx context.Context) (address string, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/debug/pprof/", pprof.Index)
	mux.HandleFunc("/heap", func(w http.ResponseWriter, _ *http.Request) {
		s := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
		metrics.Read(s)
		kept, blocks := heldBy()
		_ = json.NewEncoder(w).Encode(map[string]float64{"live": float64(s[0].Value.Uint64()), "kept": kept, "blocks": blocks})
	})
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = srv.Serve(l) }()
	context.AfterFunc(ctx, func() { _ = srv.Close() })
	return l.Addr().String(), nil
}

// knowIDsFor sets for how long the inbox of a data folder knows the ids of what was sent. A server that
// runs goes on by the old time until that has passed (its timer is set before the new time is), so this
// is done before the worker is started.
func knowIDsFor(ctx context.Context, dir string, window time.Duration) error {
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: dir, MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer e.Stop()
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer nc.Close()
	s, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return err
	}
	conf := s.CachedInfo().Config
	conf.Duplicates = window
	_, err = js.UpdateStream(ctx, conf)
	return err
}
