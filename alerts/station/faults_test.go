package station_test

import (
	"context"
	"database/sql"
	"errors"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/probe"
)

// broken is a forecast that fails in every way it can.
type broken struct{}

func (broken) Know(forecast.Known)                           { panic("know") }
func (broken) Add(_, _ float64)                              { panic("add") }
func (broken) Room(_, _ float64)                             { panic("room") }
func (broken) Bath(_, _ float64)                             { panic("bath") }
func (broken) Pass(float64)                                  { panic("pass") }
func (broken) Tell(float64, forecast.EventKind)              { panic("tell") }
func (broken) Noticed() []forecast.Noticed                   { panic("noticed") }
func (broken) Rate() (float64, bool)                         { panic("rate") }
func (broken) Lessons() []forecast.Lesson                    { panic("lessons") }
func (broken) Ahead(float64) (lo, mid, hi float64, ok bool)  { panic("ahead") }
func (broken) Band(_, _ float64) (a, b, c forecast.Forecast) { panic("band") }
func (broken) Crossing(float64, forecast.Direction) forecast.Forecast {
	panic("crossing")
}

// overheat brings a scented pot to its flash-point limit and reports whether the
// alarm was posted by the very reading that reached it.
func overheat(k *kitchen) bool {
	limit, _ := boathouse().Thresholds.FlashLimit()
	for c := limit - 2; c < limit; c += 0.25 {
		k.tickTo(c)
	}
	before := len(k.posted)
	k.tickTo(limit + 0.1)
	for _, n := range k.posted[before:] {
		if n.Key == "flash-margin" && n.Why == "raised" {
			return true
		}
	}
	return false
}

// tickTo lets a second go by and a reading of c come.
func (k *kitchen) tickTo(c float64) {
	k.mu.Lock()
	k.now = k.now.Add(time.Second)
	k.mu.Unlock()
	k.reading(c, probe.Good)
}

func scented(t *testing.T, change func(*station.Options)) *kitchen {
	k := newKitchen(t, change)
	k.start()
	k.tickTo(84)
	k.tickTo(85)
	k.tap(plan.EventScentAdded)
	return k
}

// TestAlarmWithoutForecast: a forecast that panics at every call silences no alarm.
func TestAlarmWithoutForecast(t *testing.T) {
	k := scented(t, func(o *station.Options) {
		o.Log = slog.New(slog.DiscardHandler)
		o.NewForecaster = func(forecast.Known) station.Forecaster { return broken{} }
	})
	if !overheat(k) {
		t.Error("no flash-point alarm while the forecast panics")
	}
	if v := k.view(); len(v.Fan) != 0 || v.Trend != nil {
		t.Errorf("a broken forecast draws a path %v, a trend %v", v.Fan, v.Trend)
	}
	if len(k.st.Troubles()) == 0 {
		t.Error("nothing tells that the forecast stumbles")
	}
}

// TestAlarmWhileTheTraceIsLocked: another program holds the database, so that
// nothing can be written; the alarm comes, and once the lock is gone the trace
// catches up.
func TestAlarmWhileTheTraceIsLocked(t *testing.T) {
	k := scented(t, func(o *station.Options) { o.Log = slog.New(slog.DiscardHandler) })
	other, err := sql.Open("sqlite", k.path)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	conn, err := other.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.ExecContext(t.Context(), "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	if !overheat(k) {
		t.Error("no flash-point alarm while the database is locked")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if err := k.store.Flush(ctx); err == nil {
		t.Error("a flush into a locked database succeeded: the test tests nothing")
	}
	if _, err := conn.ExecContext(t.Context(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	if err := k.store.Flush(t.Context()); err != nil {
		t.Fatalf("the trace does not catch up: %v", err)
	}
	found := false
	for e, err := range k.store.Entries(t.Context(), k.view().Batch.ID, 0) {
		if err != nil {
			t.Fatal(err)
		}
		found = found || e.Name == "flash-margin"
	}
	if !found {
		t.Error("the alarm raised while the database was locked is not in the trace")
	}
}

// TestAlarmWithTheTraceGone: the store is closed under the station (as good as a
// disk that has vanished); the alarm comes all the same, and the trouble shows.
func TestAlarmWithTheTraceGone(t *testing.T) {
	k := scented(t, func(o *station.Options) { o.Log = slog.New(slog.DiscardHandler) })
	if err := k.store.Close(); err != nil {
		t.Fatal(err)
	}
	if !overheat(k) {
		t.Error("no flash-point alarm with the trace gone")
	}
	if _, err := k.st.Tap(t.Context(), "big", station.Tap{ID: "note-000001", Kind: plan.EventNote}); err == nil {
		t.Error("a tap that can't be written is answered for")
	}
}

// TestAlarmWithoutNetwork: the webhook's host can't be reached and its channel
// hangs; posting does not wait for it.
func TestAlarmWithoutNetwork(t *testing.T) {
	dead, err := net.Listen("tcp", "127.0.0.1:0") // accepts by backlog, never answers
	if err != nil {
		t.Fatal(err)
	}
	defer dead.Close()
	hook, err := notify.NewWebhook(notify.WebhookConfig{URL: "http://" + dead.Addr().String() + "/", Secret: "0123456789abcdef"}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	heard := make(chan alerts.Notice, 1000)
	d, err := notify.New(notify.Options{Station: "The Boathouse", Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Routes: []notify.Route{
		{Channel: hook},
		{Channel: notify.Func("page", "page", func(_ context.Context, m notify.Message) error { heard <- m.Notice; return nil })},
		{Channel: notify.Func("dead", "webhook", func(context.Context, notify.Message) error { return errors.New("no route to host") })},
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { d.Run(ctx) })
	defer wg.Wait()
	defer cancel()
	k := scented(t, func(o *station.Options) {
		post := o.Post
		o.Post = func(n alerts.Notice) { post(n); d.Post(n) }
	})
	if !overheat(k) {
		t.Error("no flash-point alarm with the network gone")
	}
	for n := range heard { // over the channel that works
		if n.Key == "flash-margin" {
			break
		}
	}
}

// TestSuspectReadingsKeepAlarms: rubbish neither clears an alarm nor drives the
// forecast.
func TestSuspectReadingsKeepAlarms(t *testing.T) {
	k := scented(t, nil)
	if !overheat(k) {
		t.Fatal("no alarm")
	}
	for range 600 {
		k.mu.Lock()
		k.now = k.now.Add(time.Second)
		k.mu.Unlock()
		k.reading(20, probe.ImpossibleRate)
		k.st.Tick()
	}
	for _, n := range k.view().Notices {
		if n.Key == "flash-margin" && n.State == string(alerts.Unacked) {
			return
		}
	}
	t.Errorf("ten minutes of suspect readings ended the alarm: %+v", k.view().Notices)
}
