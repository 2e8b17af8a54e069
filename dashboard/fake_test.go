package dashboard

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
)

// fakeStation is a station with one pot that does what it is told.
type fakeStation struct {
	mu     sync.Mutex
	seq    uint64
	stamp  uint64
	subs   map[chan station.Update]bool
	events map[string]plan.Event
	did    []string // what was asked for, in order
	fail   error    // of everything the maker does
	now    func() time.Time
}

func newFake() *fakeStation {
	return &fakeStation{
		subs:   map[chan station.Update]bool{},
		events: map[string]plan.Event{},
		stamp:  7,
		now:    func() time.Time { return time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC) },
	}
}

func (f *fakeStation) Snapshot() station.Snapshot {
	f.mu.Lock()
	defer f.mu.Unlock()
	c, eta := 71.5, 360.0
	r := station.ReadingView{Probe: "jug", Role: "pot", At: f.now(), Age: 0.4, Celsius: &c, Quality: "good"}
	return station.Snapshot{
		Type: "snapshot", Seq: f.seq, Now: f.now(), Name: "The Boathouse", Version: "test", Lapse: 1,
		Units: "C", Mass: "g",
		Pots: []station.PotView{{
			ID: "a", Name: "Jug", Reading: &r, LastGood: &r, Probes: []station.ReadingView{r}, Stage: plan.StageMelting, HeatOn: true,
			Next:    &station.NextView{Key: "scent-add", Status: "ok", Eta: &eta, Lo: &eta, Hi: nil},
			Notices: []station.NoticeView{{Key: "scent-due", Class: "cue", Priority: "low", State: "unacked"}},
			Events:  slices.Collect(maps.Values(f.events)),
			Taps:    []plan.EventKind{plan.EventScentAdded},
			Stamp:   f.stamp,
		}},
	}
}

func (f *fakeStation) Subscribe(buffer int) (<-chan station.Update, func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	c := make(chan station.Update, buffer)
	f.subs[c] = true
	return c, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		if f.subs[c] {
			delete(f.subs, c)
			close(c)
		}
	}
}

// publish hands out the next update.
func (f *fakeStation) publish(u station.Update) uint64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.seq++
	u.Seq = f.seq
	if u.Type == "" {
		u.Type = "reading"
	}
	for c := range f.subs {
		select {
		case c <- u:
		default:
			delete(f.subs, c)
			close(c)
		}
	}
	return u.Seq
}

// subscribers returns how many there are.
func (f *fakeStation) subscribers() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.subs)
}

func (f *fakeStation) note(pot, format string, args ...any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fail != nil {
		return f.fail
	}
	if pot != "a" {
		return fmt.Errorf("%w: %q", station.ErrNoPot, pot)
	}
	f.did = append(f.did, fmt.Sprintf(format, args...))
	return nil
}

func (f *fakeStation) done() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.did)
}

func (f *fakeStation) Start(_ context.Context, pot string, r station.StartRequest) (string, error) {
	if err := f.note(pot, "start %s by %s", r.Sheet.Name, r.Who); err != nil {
		return "", err
	}
	return "26-11-25-A", nil
}

func (f *fakeStation) Tap(_ context.Context, pot string, t station.Tap) (plan.Event, error) {
	if pot != "a" {
		return plan.Event{}, station.ErrNoPot
	}
	f.mu.Lock()
	e, known := f.events[t.ID]
	stale := t.Stamp != 0 && t.Stamp != f.stamp
	f.mu.Unlock()
	if known {
		return e, nil
	}
	if stale {
		return plan.Event{}, station.ErrStale
	}
	if err := f.note(pot, "tap %s by %s", t.Kind, t.Who); err != nil {
		return plan.Event{}, err
	}
	f.mu.Lock()
	f.stamp++
	e = plan.Event{ID: t.ID, Kind: t.Kind, Wall: f.now(), Who: t.Who, Grams: t.Grams, Text: t.Text}
	f.events[t.ID] = e
	f.mu.Unlock()
	f.publish(station.Update{Type: "event", PotID: pot, Event: &e})
	return e, nil
}

func (f *fakeStation) Withdraw(_ context.Context, pot, id, who string) error {
	return f.note(pot, "withdraw %s by %s", id, who)
}

func (f *fakeStation) Correct(_ context.Context, pot, id string, to plan.Event, who string) error {
	return f.note(pot, "correct %s to %g g by %s", id, to.Grams, who)
}

func (f *fakeStation) Confirm(_ context.Context, pot, id, who string, yes bool) error {
	return f.note(pot, "confirm %s %v by %s", id, yes, who)
}

func (f *fakeStation) Acknowledge(_ context.Context, pot, key, who string) error {
	return f.note(pot, "acknowledge %s by %s", key, who)
}

func (f *fakeStation) Shelve(_ context.Context, pot, key, who string, d time.Duration) error {
	return f.note(pot, "shelve %s %v by %s", key, d, who)
}

func (f *fakeStation) Unshelve(_ context.Context, pot, key, who string) error {
	return f.note(pot, "unshelve %s by %s", key, who)
}

func (f *fakeStation) Reset(_ context.Context, pot, key, who string) error {
	return f.note(pot, "reset %s by %s", key, who)
}

func (f *fakeStation) Remove(_ context.Context, pot, key, who, reason string) error {
	return f.note(pot, "remove %s (%s) by %s", key, reason, who)
}

func (f *fakeStation) Restore(_ context.Context, pot, key, who string) error {
	return f.note(pot, "restore %s by %s", key, who)
}

func (f *fakeStation) TestChannels(context.Context) []station.ChannelView {
	return []station.ChannelView{{Name: "page", Kind: "page", OK: true}}
}
