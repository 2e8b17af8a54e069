package station

import (
	"sync"
	"time"
)

// timeline is the station's own time: it runs with the monotonic clock, never
// goes back, and goes on after a restart from where the trace stood. What the
// wall clock does meanwhile (NTP steps, daylight saving, no battery) moves none
// of it.
type timeline struct {
	day    func(now time.Time) time.Time // the wall clock
	asleep func() time.Duration          // how long the machine has slept since some moment; nil = not known
	slept  time.Duration                 // asleep, when last asked
	mu     sync.Mutex
	boot   time.Time     // the moment of the last anchoring; its monotonic part counts
	base   time.Duration // station time at boot
	wall   time.Time     // wall time that boot would have if the clock had never stepped since

	started  time.Time     // of this process
	lastWall time.Time     // wall time of the trace's last entry; zero = empty trace
	lastAt   time.Duration // station time of it
	open     bool          // the length of the gap before this start may still be corrected
	shift    time.Duration // by how much the line was moved forward since this start
}

// The gap between two runs of the station is read off the wall clock. A board
// without a battery starts with a wrong one and is set right soon after, by one
// step forward; only such a step, this soon and this long, is taken as the gap.
const (
	gapMax     = 60 * 24 * time.Hour
	gapSettled = 15 * time.Minute
	stepLeast  = 2 * time.Second // smaller differences are the clock being disciplined
)

// newTimeline anchors the line at now. lastAt and lastWall say where the trace
// stood; lastWall is zero for an empty trace.
func newTimeline(now time.Time, day func(time.Time) time.Time, asleep func() time.Duration, lastAt time.Duration, lastWall time.Time) *timeline {
	l := &timeline{day: day, asleep: asleep, boot: now, wall: day(now), started: now, lastAt: lastAt, lastWall: lastWall, open: !lastWall.IsZero()}
	if asleep != nil {
		l.slept = asleep()
	}
	l.base = lastAt
	if gap := l.gap(now); gap > 0 {
		l.base += gap
	} else if !lastWall.IsZero() {
		l.base += time.Second // never the same instant twice
	}
	return l
}

func (l *timeline) gap(now time.Time) time.Duration {
	if l.lastWall.IsZero() {
		return 0
	}
	gap := l.day(now).Sub(l.lastWall)
	if gap < 0 || gap > gapMax {
		return 0
	}
	return gap
}

// at returns the station time of t.
func (l *timeline) at(t time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.base + t.Sub(l.boot)
}

// shifted returns by how much the line was moved forward since the start.
func (l *timeline) shifted() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.shift
}

// check looks for a step of the wall clock up to now and returns its size, 0
// for none.
func (l *timeline) check(now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.asleep != nil {
		// The monotonic clock stands still while the machine sleeps; wax cools on.
		total := l.asleep()
		if d := total - l.slept; d >= time.Second {
			l.slept = total
			l.base += d
			l.wall = l.wall.Add(d)
		}
	}
	step := l.day(now).Sub(l.wall) - now.Sub(l.boot)
	if step.Abs() < stepLeast {
		return 0
	}
	l.wall = l.wall.Add(step)
	if l.open && now.Sub(l.started) < gapSettled {
		// What the gap would have been had the clock been right at the start.
		start := l.day(now).Add(-now.Sub(l.started))
		gap := start.Sub(l.lastWall)
		had := l.base - l.lastAt - l.boot.Sub(l.started)
		if gap > 0 && gap <= gapMax && gap > had {
			l.base += gap - had
			l.shift += gap - had
			l.open = false
		}
	}
	return step
}

// wallOf returns the wall time of a moment on the line, by the clock as it is now.
func (l *timeline) wallOf(at time.Duration, now time.Time) time.Time {
	return l.day(now).Add(at - l.at(now)).UTC()
}
