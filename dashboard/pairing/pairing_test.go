package pairing_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/netip"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/dashboard/pairing"
)

var (
	phone = netip.MustParseAddr("192.0.2.7")
	ctx   = context.Background()
)

// clock is a time of day that stands until it is told to move.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

func open(t *testing.T, store pairing.Store) (*pairing.Registry, *clock) {
	t.Helper()
	c := &clock{t: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)}
	r, err := pairing.Open(ctx, store, c.now)
	if err != nil {
		t.Fatal(err)
	}
	return r, c
}

func code(t *testing.T, r *pairing.Registry, role pairing.Role) pairing.Code {
	t.Helper()
	c, err := r.NewCode(role)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCodeLooksAsItShould(t *testing.T) {
	r, _ := open(t, &pairing.Memory{})
	// The alphabet of RFC 8628, section 6.1.
	form := regexp.MustCompile(`^[BCDFGHJKLMNPQRSTVWXZ]{4}-[BCDFGHJKLMNPQRSTVWXZ]{4}$`)
	seen := map[string]bool{}
	for range 500 {
		c := code(t, r, pairing.Maker)
		if !form.MatchString(c.Text) || seen[c.Text] {
			t.Fatalf("code %q", c.Text)
		}
		seen[c.Text] = true
	}
	if _, err := r.NewCode("owner"); !errors.Is(err, pairing.ErrRole) {
		t.Errorf("role owner: %v", err)
	}
}

func TestPairOnce(t *testing.T) {
	store := &pairing.Memory{}
	r, _ := open(t, store)
	c := code(t, r, pairing.Viewer)
	d, token, err := r.Pair(ctx, phone, " "+strings.ToLower(strings.Replace(c.Text, "-", "  ", 1)), "Kitchen\x00 phone\n")
	if err != nil {
		t.Fatal(err)
	}
	if d.Name != "Kitchen phone" || d.Role != pairing.Viewer || len(token) != 43 {
		t.Errorf("device %+v, token of %d characters", d, len(token))
	}
	if _, _, err := r.Pair(ctx, phone, c.Text, "again"); !errors.Is(err, pairing.ErrCode) {
		t.Errorf("the same code again: %v", err)
	}
	// What is kept does not hold the token.
	kept, _ := store.LoadDevices(ctx)
	if len(kept) != 1 || bytes.Contains(kept[0].Hash, []byte(token)) || strings.Contains(fmt.Sprint(kept), token) {
		t.Errorf("kept %+v", kept)
	}
	// It is known after a restart.
	again, _ := open(t, store)
	if got, ok := again.Lookup(token); !ok || got.ID != d.ID {
		t.Errorf("after a restart: %+v, %v", got, ok)
	}
	for _, wrong := range []string{"", token[:42], token + "A", strings.Repeat("A", 43)} {
		if _, ok := r.Lookup(wrong); ok {
			t.Errorf("token %q is taken", wrong)
		}
	}
}

func TestCodesGrowOld(t *testing.T) {
	r, clock := open(t, &pairing.Memory{})
	c := code(t, r, pairing.Maker)
	clock.pass(pairing.CodeLife - time.Millisecond)
	late := code(t, r, pairing.Maker)
	clock.pass(time.Millisecond)
	if _, _, err := r.Pair(ctx, phone, c.Text, "x"); !errors.Is(err, pairing.ErrCode) {
		t.Errorf("after five minutes: %v", err)
	}
	if _, _, err := r.Pair(ctx, phone, late.Text, "x"); err != nil {
		t.Errorf("a younger one: %v", err)
	}
}

func TestTheOldestCodeGivesWay(t *testing.T) {
	r, _ := open(t, &pairing.Memory{})
	first := code(t, r, pairing.Maker)
	var last pairing.Code
	for range 8 {
		last = code(t, r, pairing.Maker)
	}
	if _, _, err := r.Pair(ctx, phone, first.Text, "x"); !errors.Is(err, pairing.ErrCode) {
		t.Errorf("the first of nine: %v", err)
	}
	if _, _, err := r.Pair(ctx, phone, last.Text, "x"); err != nil {
		t.Errorf("the last of nine: %v", err)
	}
}

// tries counts how many of n guesses from an address are heard.
func tries(r *pairing.Registry, from netip.Addr, n int) (heard int) {
	for range n {
		if _, _, err := r.Pair(ctx, from, "BBBB-BBBB", "x"); !errors.Is(err, pairing.ErrTooMany) {
			heard++
		}
	}
	return heard
}

func TestTriesAreRationed(t *testing.T) {
	r, clock := open(t, &pairing.Memory{})
	if got := tries(r, phone, 20); got != 5 {
		t.Errorf("from one address %d tries are heard at once, want 5", got)
	}
	clock.pass(time.Minute)
	if got := tries(r, phone, 20); got != 5 {
		t.Errorf("a minute later %d, want 5", got)
	}
	// A host has a whole /64 of IPv6 addresses, and an IPv4 address has two forms.
	clock.pass(10 * time.Minute)
	if got := tries(r, netip.MustParseAddr("2001:db8::1"), 3) + tries(r, netip.MustParseAddr("2001:db8::2"), 20); got != 5 {
		t.Errorf("from one /64 %d tries are heard, want 5", got)
	}
	if got := tries(r, phone, 3) + tries(r, netip.MustParseAddr("::ffff:192.0.2.7"), 20); got != 5 {
		t.Errorf("from one address in two forms %d tries are heard, want 5", got)
	}
	// From very many addresses together.
	clock.pass(10 * time.Minute)
	all := 0
	for i := range 2000 {
		all += tries(r, netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)}), 1)
	}
	if all != 30 {
		t.Errorf("from 2000 addresses %d tries are heard, want 30", all)
	}
}

func TestRemove(t *testing.T) {
	store := &pairing.Memory{}
	r, _ := open(t, store)
	d, token, err := r.Pair(ctx, phone, code(t, r, pairing.Maker).Text, "x")
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Remove(ctx, d.ID); err != nil {
		t.Fatal(err)
	}
	if _, ok := r.Lookup(token); ok || r.Known(d.ID) || len(r.Devices()) != 0 {
		t.Error("it is still known")
	}
	again, _ := open(t, store)
	if _, ok := again.Lookup(token); ok {
		t.Error("it is back after a restart")
	}
	if err := r.Remove(ctx, d.ID); !errors.Is(err, pairing.ErrDevice) {
		t.Errorf("removed twice: %v", err)
	}
}

// broken is a store whose disk is full.
type broken struct{ pairing.Memory }

var errDisk = errors.New("the disk is full")

func (*broken) DeleteDevice(context.Context, string) error { return errDisk }
func (b *broken) SaveDevice(c context.Context, d pairing.Device) error {
	return b.Memory.SaveDevice(c, d)
}

func TestRemoveHoldsThoughTheDiskIsFull(t *testing.T) {
	r, _ := open(t, &broken{})
	d, token, err := r.Pair(ctx, phone, code(t, r, pairing.Maker).Text, "x")
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Remove(ctx, d.ID); !errors.Is(err, errDisk) {
		t.Errorf("got %v", err)
	}
	if _, ok := r.Lookup(token); ok {
		t.Error("it is still let in")
	}
}

// counting counts what is written.
type counting struct {
	pairing.Memory
	saves int
}

func (c *counting) SaveDevice(x context.Context, d pairing.Device) error {
	c.saves++
	return c.Memory.SaveDevice(x, d)
}

func TestVisitsAreWrittenOnceAnHour(t *testing.T) {
	store := &counting{}
	r, clock := open(t, store)
	d, token, err := r.Pair(ctx, phone, code(t, r, pairing.Maker).Text, "x")
	if err != nil {
		t.Fatal(err)
	}
	store.saves = 0
	for range 24 * 60 {
		clock.pass(time.Minute)
		if err := r.Touch(ctx, d.ID); err != nil {
			t.Fatal(err)
		}
	}
	if store.saves != 24 {
		t.Errorf("in a day of visits each minute it was written %d times, want 24", store.saves)
	}
	clock.pass(pairing.Idle + time.Hour)
	if _, ok := r.Lookup(token); ok {
		t.Error("after half a year away it is still let in")
	}
}

func TestDamagedDevicesPairAgain(t *testing.T) {
	store := &pairing.Memory{}
	for _, d := range []pairing.Device{{ID: "a", Role: pairing.Maker, Hash: []byte("short")}, {ID: "b", Role: "root", Hash: make([]byte, 32)}, {Role: pairing.Maker, Hash: make([]byte, 32)}} {
		store.SaveDevice(ctx, d)
	}
	if r, _ := open(t, store); len(r.Devices()) != 0 {
		t.Errorf("devices %+v", r.Devices())
	}
}

func TestManyAtOnce(t *testing.T) {
	r, _ := open(t, &pairing.Memory{})
	c := code(t, r, pairing.Maker)
	var wg sync.WaitGroup
	var mu sync.Mutex
	paired := 0
	for i := range 20 {
		wg.Go(func() {
			if _, _, err := r.Pair(ctx, netip.AddrFrom4([4]byte{10, 0, 0, byte(i)}), c.Text, "x"); err == nil {
				mu.Lock()
				paired++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if paired != 1 {
		t.Errorf("one code paired %d devices", paired)
	}
}
