package notify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts"
)

var quietLog = slog.New(slog.NewTextHandler(io.Discard, nil))

func alarm(key string, s alerts.State) alerts.Notice {
	return alerts.Notice{Key: key, Pot: "pot", Class: alerts.Alarm, Priority: alerts.Urgent, State: s, Probe: "p", Celsius: 95, Limit: 90}
}

func cue(key string, s alerts.State) alerts.Notice {
	return alerts.Notice{Key: key, Pot: "pot", Batch: "b", Class: alerts.Cue, Priority: alerts.High, State: s}
}

// recorder is a channel that keeps what it got and can fail, hang or panic.
type recorder struct {
	name  string
	calls bool // wants only calls

	mu   sync.Mutex
	got  []string
	fail func(n int) error // for the nth attempt
	n    int
	at   []time.Time
}

func (r *recorder) Name() string         { return r.name }
func (r *recorder) Kind() string         { return "test" }
func (r *recorder) Wants(m Message) bool { return !r.calls || m.Calls() }

func (r *recorder) Send(ctx context.Context, m Message) error {
	r.mu.Lock()
	r.n++
	n, fail := r.n, r.fail
	r.mu.Unlock()
	if fail != nil {
		if err := fail(n); err != nil {
			return err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	s := m.Notice.Key + " " + string(m.Notice.State)
	if m.Late {
		s += " late"
	}
	if m.Test {
		s = "test"
	}
	r.got = append(r.got, s)
	r.at = append(r.at, time.Now())
	return nil
}

func (r *recorder) list() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

// within starts a dispatcher in a bubble of faked time.
func start(t *testing.T, o Options) (*Dispatcher, func()) {
	t.Helper()
	o.Log = quietLog
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = d.Run(ctx) })
	return d, func() { cancel(); wg.Wait() }
}

func want(t *testing.T, r *recorder, list ...string) {
	t.Helper()
	if got := r.list(); !slices.Equal(got, list) {
		t.Errorf("%s got %q, want %q", r.name, got, list)
	}
}

func TestOneBadChannelDelaysNoOther(t *testing.T) {
	for name, bad := range map[string]func(int) error{
		"fails":  func(int) error { return errors.New("no network") },
		"panics": func(int) error { panic("a bug") },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a, b := &recorder{name: "a", fail: bad}, &recorder{name: "b"}
				d, stop := start(t, Options{Routes: []Route{{Channel: a}, {Channel: b}}})
				defer stop()
				for i := range 500 {
					d.Post(alarm(fmt.Sprint(i), alerts.Unacked))
				}
				synctest.Wait()
				if got := b.list(); len(got) != 500 {
					t.Errorf("the good channel got %d of 500", len(got))
				}
				st := d.Status()
				if st[0].OK || st[0].Reason == "" || st[0].Waiting != 500 || !st[1].OK {
					t.Errorf("status %+v", st)
				}
			})
		})
	}
	t.Run("hangs", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			release := make(chan struct{})
			a := &recorder{name: "a", fail: func(int) error { <-release; return nil }} // ignores its context
			b := &recorder{name: "b"}
			d, stop := start(t, Options{Routes: []Route{{Channel: a}, {Channel: b}}})
			d.Post(alarm("flash-margin", alerts.Unacked))
			synctest.Wait()
			want(t, b, "flash-margin unacked")
			time.Sleep(5 * time.Minute)
			if st := d.Status(); st[0].OK || !strings.Contains(st[0].Reason, "hangs") {
				t.Errorf("status %+v", st[0])
			}
			a.mu.Lock()
			if a.n != 1 {
				t.Errorf("a hanging channel was called %d times at once", a.n)
			}
			a.mu.Unlock()
			stop() // it must not wait for the hanging one
			close(release)
		})
	})
}

func TestRetriesInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &recorder{name: "a", fail: func(n int) error {
			if n <= 3 {
				return errors.New("not yet")
			}
			return nil
		}}
		d, stop := start(t, Options{Routes: []Route{{Channel: a}}})
		defer stop()
		d.Post(alarm("one", alerts.Unacked))
		time.Sleep(time.Millisecond)
		d.Post(alarm("two", alerts.Unacked))
		d.Post(alarm("one", alerts.Acked))
		time.Sleep(time.Minute)
		want(t, a, "one unacked", "two unacked", "one acked")
		if st := d.Status()[0]; !st.OK || st.Failed != 3 || st.Sent != 3 || st.Waiting != 0 {
			t.Errorf("status %+v", st)
		}
	})
}

func TestBackoffGrowsAndIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var at []time.Duration
		begun := time.Now()
		a := &recorder{name: "a", fail: func(int) error { at = append(at, time.Since(begun)); return errors.New("down") }}
		d, stop := start(t, Options{Routes: []Route{{Channel: a}}})
		d.Post(alarm("one", alerts.Unacked))
		time.Sleep(20 * time.Minute)
		stop()
		if len(at) < 10 || len(at) > 20 {
			t.Errorf("%d attempts in 20 min: %v", len(at), at)
		}
		if last := at[len(at)-1] - at[len(at)-2]; last != lastPause {
			t.Errorf("last pause %v, want %v", last, lastPause)
		}
	})
}

func TestRefusedIsNotTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &recorder{name: "a", fail: func(n int) error {
			if n == 1 {
				return fmt.Errorf("no such hook: %w", ErrRefused)
			}
			return nil
		}}
		d, stop := start(t, Options{Routes: []Route{{Channel: a}}})
		defer stop()
		d.Post(alarm("one", alerts.Unacked))
		d.Post(alarm("two", alerts.Unacked))
		synctest.Wait()
		want(t, a, "two unacked")
	})
}

func TestNotAcknowledgedBringsTheNextChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		page, push, bell := &recorder{name: "page"}, &recorder{name: "push", calls: true}, &recorder{name: "bell"}
		d, stop := start(t, Options{Routes: []Route{{Channel: page}, {Channel: push, After: 30 * time.Second}, {Channel: bell, After: 90 * time.Second}}})
		defer stop()

		d.Post(alarm("one", alerts.Unacked))
		time.Sleep(29 * time.Second)
		want(t, page, "one unacked")
		want(t, push)
		time.Sleep(2 * time.Second)
		want(t, push, "one unacked late")
		d.Post(alarm("one", alerts.LatchedUnack)) // its cause is gone, but nobody has seen it
		time.Sleep(time.Minute)
		want(t, bell, "one unacked late")
		d.Post(alarm("one", alerts.LatchedAck))
		d.Post(alarm("one", alerts.Normal))
		synctest.Wait()
		want(t, bell, "one unacked late", "one latched-ack", "one normal") // it was called, so it hears the end
		want(t, push, "one unacked late")

		d.Post(alarm("two", alerts.Unacked))
		time.Sleep(10 * time.Second)
		d.Post(alarm("two", alerts.Acked)) // seen: nobody else need hear
		time.Sleep(5 * time.Minute)
		want(t, push, "one unacked late")

		d.Post(alarm("three", alerts.Unacked))
		time.Sleep(10 * time.Second)
		d.Acked("pot", "three")
		time.Sleep(5 * time.Minute)
		want(t, push, "one unacked late")
	})
}

func TestFailedChannelBringsTheNextForward(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		first := &recorder{name: "first", fail: func(int) error { return errors.New("no network") }}
		second, third := &recorder{name: "second"}, &recorder{name: "third"}
		d, stop := start(t, Options{Routes: []Route{{Channel: first}, {Channel: second, After: time.Minute}, {Channel: third, After: 2 * time.Minute}}})
		defer stop()
		d.Post(alarm("one", alerts.Unacked))
		time.Sleep(time.Second / 2)
		want(t, second, "one unacked late")
		time.Sleep(30 * time.Second)
		want(t, third) // the second has it; the third keeps its time
	})
}

func TestQuietHoursHoldCuesNeverAlarms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, page := &recorder{name: "a"}, &recorder{name: "page"}
		// The bubble's clock begins at midnight UTC.
		d, stop := start(t, Options{Routes: []Route{{Channel: a}, {Channel: page, Always: true}}, Quiet: Quiet{From: 22 * 60, To: 7 * 60, Zone: time.UTC}})
		defer stop()
		d.Post(cue("trim", alerts.Unacked))
		d.Post(cue("move", alerts.Unacked))
		d.Post(alarm("flash-margin", alerts.Unacked))
		synctest.Wait()
		want(t, a, "flash-margin unacked")
		want(t, page, "trim unacked", "move unacked", "flash-margin unacked")
		time.Sleep(time.Hour)
		d.Post(cue("move", alerts.Normal)) // done meanwhile
		time.Sleep(7 * time.Hour)
		want(t, a, "flash-margin unacked", "trim unacked")
	})
}

func TestQuietHours(t *testing.T) {
	day := func(h, m int) time.Time { return time.Date(2026, 3, 1, h, m, 0, 0, time.UTC) }
	over, within := Quiet{From: 22 * 60, To: 7 * 60, Zone: time.UTC}, Quiet{From: 13 * 60, To: 14*60 + 30, Zone: time.UTC}
	for _, c := range []struct {
		q    Quiet
		at   time.Time
		is   bool
		ends time.Time
	}{
		{over, day(21, 59), false, time.Time{}}, {over, day(22, 0), true, day(31, 0)}, {over, day(3, 0), true, day(7, 0)}, {over, day(7, 0), false, time.Time{}},
		{within, day(12, 59), false, time.Time{}}, {within, day(14, 29), true, day(14, 30)}, {within, day(14, 30), false, time.Time{}},
		{Quiet{Zone: time.UTC}, day(0, 0), false, time.Time{}},
	} {
		if is, ends := c.q.At(c.at); is != c.is || !ends.Equal(c.ends) {
			t.Errorf("%v to %v at %v: %v until %v, want %v until %v", c.q.From, c.q.To, c.at, is, ends, c.is, c.ends)
		}
	}
	var c Clock
	if err := c.UnmarshalText([]byte("22:15")); err != nil || c.String() != "22:15" {
		t.Errorf("%v %v", c, err)
	}
	if err := c.UnmarshalText([]byte("25:00")); err == nil {
		t.Error("25:00 was taken")
	}
}

func TestOldCuesAreGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var down atomic.Bool
		down.Store(true)
		a := &recorder{name: "a", calls: true, fail: func(int) error {
			if down.Load() {
				return errors.New("down")
			}
			return nil
		}}
		d, stop := start(t, Options{Routes: []Route{{Channel: a}}, CueAge: 5 * time.Minute})
		defer stop()
		d.Post(cue("scent-now", alerts.Unacked))
		d.Post(alarm("flash-margin", alerts.Unacked))
		d.Post(cue("pour-now", alerts.Unacked))
		time.Sleep(time.Minute)
		d.Post(cue("pour-now", alerts.Normal)) // poured: nobody must hear "pour now" any more
		time.Sleep(10 * time.Minute)
		down.Store(false)
		time.Sleep(10 * time.Minute)
		want(t, a, "flash-margin unacked")
		if st := d.Status()[0]; st.Dropped != 1 {
			t.Errorf("dropped %d, want 1 (%+v)", st.Dropped, st)
		}
	})
}

// A full queue may lose cues and pass over an alarm's earlier transitions. The
// last word on every alarm is always delivered, and what is delivered is in order.
func TestFullQueueNeverLosesAnAlarm(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		posts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) alerts.Notice {
			key := fmt.Sprint(rapid.IntRange(0, 12).Draw(t, "key"))
			s := rapid.SampledFrom([]alerts.State{alerts.Unacked, alerts.Acked, alerts.Normal}).Draw(t, "state")
			if rapid.Bool().Draw(t, "cue") {
				return cue("c"+key, s)
			}
			return alarm("a"+key, s)
		}), 1, 50).Draw(rt, "posts")
		limit := rapid.IntRange(1, 8).Draw(rt, "queue")
		synctest.Test(t, func(t *testing.T) {
			var down atomic.Bool
			down.Store(true)
			a := &recorder{name: "a", fail: func(int) error {
				if down.Load() {
					return errors.New("down")
				}
				return nil
			}}
			d, stop := start(t, Options{Routes: []Route{{Channel: a, Queue: limit}}, CueAge: time.Hour})
			defer stop()
			last := map[string]string{}
			var order []string
			for _, n := range posts {
				d.Post(n)
				s := n.Key + " " + string(n.State)
				order = append(order, s)
				if n.Class == alerts.Alarm {
					last[n.Key] = s
				}
			}
			if w := d.Status()[0].Waiting; w > limit+len(last)+1 {
				rt.Fatalf("%d wait in a queue of %d", w, limit)
			}
			down.Store(false)
			time.Sleep(5 * time.Minute)
			got := a.list()
			final := map[string]string{}
			i := 0
			for _, s := range got {
				for i < len(order) && order[i] != s {
					i++
				}
				if i == len(order) {
					rt.Fatalf("delivered out of order: %v of %v", got, order)
				}
				i++
				final[strings.Fields(s)[0]] = s
			}
			for k, s := range last {
				if final[k] != s {
					rt.Fatalf("the last word on %s was %q, delivered %q", k, s, final[k])
				}
			}
		})
	})
}

func TestTestOfAllChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := &recorder{name: "a"}, &recorder{name: "b", fail: func(int) error { return errors.New("wrong password") }}
		hang := Func("c", "page", func(ctx context.Context, m Message) error { <-ctx.Done(); return ctx.Err() })
		d, err := New(Options{Log: quietLog, Routes: []Route{{Channel: a, After: time.Minute}, {Channel: b}, {Channel: hang}}})
		if err != nil {
			t.Fatal(err)
		}
		got := d.Test(t.Context()) // without Run
		if got[0].Err != nil || got[1].Err == nil || got[2].Err == nil || got[2].Took > 20*time.Second {
			t.Errorf("%+v", got)
		}
		want(t, a, "test")
		if st := d.Status(); !st[0].OK || st[1].OK || st[1].Reason != "wrong password" || st[1].Tried.IsZero() {
			t.Errorf("%+v", st)
		}
	})
}

func TestTwoChannelsOfOneNameAreRefused(t *testing.T) {
	a := &recorder{name: "a"}
	if _, err := New(Options{Routes: []Route{{Channel: a}, {Channel: a}}}); err == nil {
		t.Error("taken")
	}
}

func TestSeveralPotsAreNamed(t *testing.T) {
	for title, pots := range map[string]map[string]string{"Add 0.3 g": {"pot": "Big pot"}, "Big pot: ": {"pot": "Big pot", "two": "Small pot"}} {
		synctest.Test(t, func(t *testing.T) {
			var got string
			d, stop := start(t, Options{Pots: pots, Routes: []Route{{Channel: Func("page", "page", func(_ context.Context, m Message) error { got = m.Text.Title; return nil })}}})
			n := cue(alerts.KeyScentNow, alerts.Unacked)
			n.Grams = 0.3
			d.Post(n)
			synctest.Wait()
			stop()
			if !strings.HasPrefix(got, title) {
				t.Errorf("with %d pots: %q, want it to begin with %q", len(pots), got, title)
			}
		})
	}
}

func TestRoutesChoose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &recorder{name: "a"}
		d, stop := start(t, Options{Routes: []Route{{Channel: a, Least: alerts.High, NoCues: true}}})
		defer stop()
		low := alarm("disk-low", alerts.Unacked)
		low.Priority = alerts.Low
		d.Post(low)
		d.Post(cue("pour-now", alerts.Unacked))
		d.Post(alarm("flash-margin", alerts.Unacked))
		synctest.Wait()
		want(t, a, "flash-margin unacked")
	})
}

// BenchmarkPost is what a notice costs the alarm path with five channels, one of
// which hangs.
func BenchmarkPost(b *testing.B) {
	var routes []Route
	for i := range 4 {
		routes = append(routes, Route{Channel: Func(fmt.Sprint(i), "page", func(context.Context, Message) error { return nil })})
	}
	routes = append(routes, Route{Channel: Func("hangs", "mail", func(ctx context.Context, m Message) error { <-ctx.Done(); return ctx.Err() })})
	d, err := New(Options{Log: quietLog, Routes: routes})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = d.Run(ctx) })
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		i++
		d.Post(alarm("flash-margin", []alerts.State{alerts.Unacked, alerts.Acked}[i%2]))
	}
	cancel()
	wg.Wait()
}
