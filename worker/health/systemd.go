package health

import (
	"context"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/rs/zerolog"
)

// Notify tells systemd a state, such as daemon.SdNotifyReady; nothing happens where it does not
// listen.
func Notify(state string, log zerolog.Logger) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		log.Warn().Err(err).Str("state", state).Msg("systemd could not be told")
	}
}

// Watchdog keeps systemd's watchdog quiet for as long as the worker is live, until ctx ends. Where
// the unit sets none it returns at once.
func Watchdog(ctx context.Context, live func() bool, log zerolog.Logger) {
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil || every == 0 {
		return
	}
	t := time.NewTicker(every / 3)
	defer t.Stop()
	for {
		if live() {
			Notify(daemon.SdNotifyWatchdog, log)
		} else {
			log.Error().Msg("the worker is stuck; systemd will start it again")
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}
