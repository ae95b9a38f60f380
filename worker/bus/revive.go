package bus

import (
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// A stream whose file could not be written takes nothing more from then on, even when there is room
// again: the server has to open its store anew. In between readings wait at their stations, and what
// was acknowledged is on the disk.

const (
	// watchStore is how often the store is asked how it is; a failed write is told at once.
	watchStore = 5 * time.Second
	// roomNeeded is what must be free before a full store is opened again.
	roomNeeded = 8 << 20
	// reviveWait is how long to wait between two attempts.
	reviveWait = 2 * time.Second
)

// Trouble says why the store cannot be written just now; empty: it can.
func (e *Embedded) Trouble() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.trouble
}

func (e *Embedded) setTrouble(why string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.trouble = why
}

// watch brings the store back after a failed write, until the bus is stopped.
func (e *Embedded) watch() {
	defer close(e.watched)
	t := time.NewTicker(watchStore)
	defer t.Stop()
	for {
		select {
		case <-e.quit:
			return
		case <-t.C:
		case <-e.log.broken:
		}
		if e.hidden() {
			e.showEndpoint()
		}
		if why := writeFault(e.srv.Load()); why != "" && !e.revive(why) {
			return
		}
	}
}

// revive opens the store anew when there is room again. It reports false when the bus is stopped
// before.
func (e *Embedded) revive(why string) bool {
	log := e.log.log
	e.setTrouble(why)
	log.Error().Str("why", why).Msg("the store cannot be written; readings wait at their stations until there is room")
	for {
		// At least one wait: a fault that is not for want of room must not become a busy loop.
		for wait := true; wait || !e.room(); wait = false {
			if !e.pause(reviveWait) {
				return false
			}
		}
		old := e.srv.Load()
		old.Shutdown()
		old.WaitForShutdown()
		err := e.launch()
		if err == nil {
			e.setTrouble("")
			log.Info().Msg("the store is open again")
			return true
		}
		e.setTrouble(err.Error())
		log.Error().Err(err).Msg("the store cannot be opened yet")
	}
}

// room reports whether opening the store may help.
func (e *Embedded) room() bool {
	free, size := DiskFree(e.dir)
	return size == 0 || free >= roomNeeded
}

func (e *Embedded) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-e.quit:
		return false
	case <-t.C:
		return true
	}
}

// writeFault asks the server which of its streams cannot be written; empty: none.
func writeFault(s *server.Server) string {
	h := s.Healthz(&server.HealthzOptions{Details: true})
	for _, e := range h.Errors {
		if e.Type == server.HealthzErrorJetStream || strings.Contains(e.Error, "write error") {
			return e.Error
		}
	}
	return ""
}
