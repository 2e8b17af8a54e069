package app

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"example.org/meltstation/alerts/station"
)

// watchdog tells systemd that the station is ready, and then that it is alive
// for as long as its pots still turn: a daemon that hangs goes silent and is
// restarted. Outside systemd it only waits.
func watchdog(ctx context.Context, st *station.Station, log *slog.Logger) error {
	if _, err := daemon.SdNotify(false, daemon.SdNotifyReady); err != nil {
		log.Warn("systemd could not be told that the station is ready", "err", err)
	}
	defer daemon.SdNotify(false, daemon.SdNotifyStopping) //nolint:errcheck // nothing to be done about it
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return fmt.Errorf("reading the watchdog's interval: %w", err)
	}
	if every <= 0 {
		<-ctx.Done()
		return nil
	}
	tick := time.NewTicker(every / 3)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if age := st.Beat(); age > every {
				log.Error("the station has not turned; leaving it to the watchdog", "for", age)
				continue
			}
			if _, err := daemon.SdNotify(false, daemon.SdNotifyWatchdog); err != nil {
				log.Warn("systemd could not be told that the station is alive", "err", err)
			}
		}
	}
}
