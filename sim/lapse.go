package sim

import (
	"sync"
	"time"
)

// Lapse is a clock that runs faster (or slower) than life. It may be read by
// several goroutines.
type Lapse struct {
	mu     sync.Mutex
	origin time.Time // when the present pace began, by the real clock
	shown  time.Time // what the clock showed then
	factor float64
	now    func() time.Time
}

// NewLapse starts a clock at the present moment that runs factor times as fast
// as life. A factor that is not above 0 is 1.
func NewLapse(factor float64) *Lapse { return NewLapseFrom(time.Time{}, factor) }

// NewLapseFrom starts a clock that shows the given moment first, or the present
// one when that is later: a lapse that goes on where an earlier one ended must
// not go back.
func NewLapseFrom(first time.Time, factor float64) *Lapse {
	if !(factor > 0) {
		factor = 1
	}
	l := &Lapse{factor: factor, now: time.Now}
	l.origin = l.now()
	l.shown = l.origin
	if ahead := first.Sub(l.origin); ahead > 0 {
		l.shown = l.origin.Add(ahead) // keeps the monotonic part
	}
	return l
}

// Now is the time by this clock. It keeps the monotonic part of the real one, so
// it never goes back and differences are exact.
func (l *Lapse) Now() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at(l.now())
}

func (l *Lapse) at(real time.Time) time.Time {
	return l.shown.Add(time.Duration(float64(real.Sub(l.origin)) * l.factor))
}

// Factor is how many times faster than life the clock runs.
func (l *Lapse) Factor() float64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.factor
}

// SetFactor changes the pace from now on.
func (l *Lapse) SetFactor(factor float64) {
	if !(factor > 0) {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	real := l.now()
	l.shown, l.origin, l.factor = l.at(real), real, factor
}

// Real is how much real time a stretch of this clock's time takes.
func (l *Lapse) Real(d time.Duration) time.Duration {
	return time.Duration(float64(d) / l.Factor())
}
