//go:build !linux

package app

import "time"

// asleep is not known here: time spent asleep shows as a step of the clock.
func asleep() time.Duration { return 0 }
