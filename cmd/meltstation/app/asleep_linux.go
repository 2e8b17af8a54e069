package app

import (
	"time"

	"golang.org/x/sys/unix"
)

// asleep is how long this machine has slept since it was started:
// CLOCK_BOOTTIME counts that time and CLOCK_MONOTONIC does not (clock_gettime(2)).
func asleep() time.Duration {
	var boot, mono unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono) != nil {
		return 0
	}
	return time.Duration(boot.Nano() - mono.Nano())
}
