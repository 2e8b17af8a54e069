package main

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim/hardware"
)

// ask returns the status and body of a page of the daemon.
func (v *victim) ask(path string) (int, string) {
	v.t.Helper()
	res, err := http.Get(strings.TrimSuffix(v.url, "/") + path)
	if err != nil {
		v.t.Fatalf("%s: %v\n%s", path, err, &v.log)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		v.t.Fatalf("%s: %v", path, err)
	}
	return res.StatusCode, string(b)
}

// soon waits until ok holds.
func soon(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.After(time.Minute)
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline:
			t.Fatalf("%s never came", what)
		case <-tick.C:
		}
	}
}

// diskFault is one way in which a disk fails under a running daemon.
type diskFault struct {
	name   string
	mounts string // size of a disk of its own; "" = the test's folder
	// breaks makes the disk fail and returns what mends it.
	breaks func(t *testing.T, v *victim, file string) (mend func())
	heals  bool // the daemon helps itself: nothing stays wrong, but a trouble says so
}

// TestDiskFaults breaks the disk under the daemon while a batch goes on: the
// watch goes on, the alarm comes, the page and /readyz say what is wrong, and once
// the disk is mended every reading and tap is in the trace.
func TestDiskFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("a locked disk takes some seconds to show")
	}
	for _, f := range []diskFault{
		{name: "locked by another program", breaks: lockDisk},
		{name: "writes fail", breaks: limitFiles},
		{name: "full", mounts: "2m", breaks: fillDisk},
		{name: "torn up", breaks: tearFile, heals: true},
	} {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			f.run(t)
		})
	}
}

func (f diskFault) run(t *testing.T) {
	data := t.TempDir()
	if f.mounts != "" {
		if err := syscall.Mount("none", data, "tmpfs", 0, "size="+f.mounts); err != nil {
			t.Skipf("only root may mount a small disk: %v", err)
		}
		t.Cleanup(func() {
			if err := syscall.Unmount(data, 0); err != nil {
				t.Errorf("unmounting: %v", err)
			}
		})
	}
	var wax atomic.Uint64
	wax.Store(math.Float64bits(84))
	table := kernelWire(t, func() float64 { return math.Float64frombits(wax.Load()) })
	config := filepath.Join(t.TempDir(), "station.toml")
	text := fmt.Sprintf("[station]\nname = \"The Boathouse\"\ndata = %q\n[page]\nlisten = \"127.0.0.1:0\"\n[[probe]]\nevery = \"0.1 s\"\n%s", data, table)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	v := launch(t, config)
	defer func() { v.kill() }()
	v.until("a reading", func(p station.PotView) bool { return p.Reading != nil && p.Reading.Celsius != nil })
	sheet := plan.Sheet{Name: "Low Tide", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers(), Wax: []plan.Part{{Name: "rapeseed-coconut", Grams: 900}}}
	sheet.Thresholds.Flash = &plan.FlashPoint{Celsius: 100, Method: "closed cup", Oil: "dusk"}
	if got := v.call("POST", "/api/v1/pots/pot/start", station.StartRequest{ID: "start-00000001", Sheet: sheet}, nil); got != 201 {
		t.Fatalf("start: status %d", got)
	}
	if got := v.call("POST", "/api/v1/pots/pot/taps", station.Tap{ID: "tap-00000001", Kind: plan.EventScentAdded}, nil); got != 200 {
		t.Fatalf("scent-added: status %d", got)
	}
	code := v.pot().Batch.ID
	if got, body := v.ask("/readyz"); got != 200 {
		t.Fatalf("readyz before anything is wrong: %d %s", got, body)
	}

	mend := f.breaks(t, v, filepath.Join(data, app.TraceName))
	wax.Store(math.Float64bits(95)) // over the flash point less its margin
	v.until("the flash-point alarm", func(p station.PotView) bool {
		for _, n := range p.Notices {
			if n.Key == "flash-margin" {
				return true
			}
		}
		return false
	})
	key := "store"
	if f.heals {
		key = "damaged"
	}
	// Somebody looks at the curve meanwhile: reading meets a torn file before writing does.
	soon(t, "readyz telling of "+key, func() bool {
		v.ask("/api/v1/batches/" + code + "/curve")
		v.ask("/api/v1/batches")
		got, body := v.ask("/readyz")
		var ready struct {
			Checks []struct {
				Name, Detail string
				OK           bool
			}
		}
		if err := json.Unmarshal([]byte(body), &ready); err != nil {
			t.Fatalf("readyz: %d %s: %v", got, body, err)
		}
		for _, c := range ready.Checks {
			if got == 503 && c.Name == key && !c.OK && c.Detail != "" {
				return true
			}
		}
		return false
	})
	began := v.pot().Reading.At
	v.until("two seconds of readings", func(p station.PotView) bool { return p.Reading.At.Sub(began) > 2*time.Second })
	if got, _ := v.ask("/healthz"); got != 200 {
		t.Errorf("healthz: %d; the process is well", got)
	}
	healthy := "0"
	if f.heals {
		healthy = "1"
	}
	if _, m := v.ask("/metrics"); !strings.Contains(m, "meltstation_store_healthy "+healthy) || !strings.Contains(m, fmt.Sprintf("meltstation_trouble{key=%q} 1", key)) {
		t.Errorf("metrics do not tell of it; want store_healthy %s and trouble %q", healthy, key)
	}
	var snapshot station.Snapshot
	v.call("GET", "/api/v1/snapshot", nil, &snapshot)
	told := ""
	for _, tr := range snapshot.Troubles {
		if tr.Key == key {
			told = tr.Text
		}
	}
	if told == "" {
		t.Errorf("the page is told nothing of %q: %+v", key, snapshot.Troubles)
	}
	t.Logf("the page says: %s", told)
	// A tap that is not on disk is not answered for, and stands all the same.
	note := station.Tap{ID: "tap-00000002", Kind: plan.EventNote, Text: "the disk is gone"}
	want := 503
	if f.heals {
		want = 200
	}
	if got := v.call("POST", "/api/v1/pots/pot/taps", note, nil); got != want {
		t.Errorf("a tap meanwhile: status %d, want %d", got, want)
	}
	// Nor does the alarm wait for the disk to be acknowledged.
	before := time.Now()
	v.call("POST", "/api/v1/pots/pot/notices/flash-margin/acknowledge", nil, nil)
	v.until("the acknowledgement", func(p station.PotView) bool {
		for _, n := range p.Notices {
			if n.Key == "flash-margin" {
				return n.State == "acknowledged" || strings.Contains(strings.ToLower(n.State), "ack") && !strings.Contains(strings.ToLower(n.State), "unack")
			}
		}
		return false
	})
	t.Logf("acknowledged and answered for within %v", time.Since(before).Round(time.Millisecond))

	mend()
	soon(t, "the repeated tap on disk", func() bool {
		return v.call("POST", "/api/v1/pots/pot/taps", note, nil) == 200
	})
	if !f.heals {
		soon(t, "readyz saying yes", func() bool { got, _ := v.ask("/readyz"); return got == 200 })
	}
	v.kill()
	file := filepath.Join(data, app.TraceName)
	if err := trace.Check(t.Context(), file); err != nil {
		t.Fatalf("the database is damaged: %v", err)
	}
	store, err := trace.Open(file, trace.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var last time.Duration
	notes, alarms, readings := 0, 0, 0
	var longest time.Duration
	for e, err := range store.Entries(t.Context(), code, 0) {
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case e.Kind == trace.KindReading:
			if readings++; readings > 1 {
				longest = max(longest, e.At-last)
			}
			last = e.At
		case e.ID == note.ID:
			notes++
		case e.Name == "flash-margin":
			alarms++
		}
	}
	t.Logf("%d readings, longest gap %v", readings, longest)
	moves := 2 // raised and acknowledged
	if f.heals {
		moves = 1 // what was written to the torn file before anybody noticed is gone
	}
	if notes != 1 || alarms < moves {
		t.Errorf("the trace has the note %d times, %d moves of the alarm; want it once, and at least %d", notes, alarms, moves)
	}
	// Ten readings a second were taken; a starved machine may miss some.
	if readings < 10 || longest > 5*time.Second {
		t.Errorf("the curve has %d readings and a gap of %v", readings, longest)
	}
	if f.heals {
		kept, err := filepath.Glob(file + ".damaged-*")
		if err != nil || len(kept) == 0 {
			t.Errorf("the damaged file was not kept: %v, %v", kept, err)
		} else if !strings.Contains(told, filepath.Base(kept[0])) {
			t.Errorf("the page does not name %s: %s", kept[0], told)
		}
	}
}

// TestStartOnReadOnlyDisk starts the daemon on a card that the kernel has made
// read-only after errors: it watches, takes a batch and alarms all the same, and
// writes everything once the card can be written again.
func TestStartOnReadOnlyDisk(t *testing.T) {
	data := t.TempDir()
	if err := syscall.Mount("none", data, "tmpfs", 0, "size=8m"); err != nil {
		t.Skipf("only root may mount a disk: %v", err)
	}
	defer func() {
		if err := syscall.Unmount(data, 0); err != nil {
			t.Errorf("unmounting: %v", err)
		}
	}()
	remount := func(flags uintptr) {
		t.Helper()
		if err := syscall.Mount("none", data, "tmpfs", syscall.MS_REMOUNT|flags, ""); err != nil {
			t.Fatal(err)
		}
	}
	table := kernelWire(t, hardware.Fixed(95))
	config := filepath.Join(t.TempDir(), "station.toml")
	text := fmt.Sprintf("[station]\ndata = %q\n[page]\nlisten = \"127.0.0.1:0\"\n[[probe]]\nevery = \"0.1 s\"\n%s", data, table)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	v := launch(t, config)
	v.until("a reading", func(p station.PotView) bool { return p.Reading != nil && p.Reading.Celsius != nil })
	v.kill()

	remount(syscall.MS_RDONLY)
	v = launch(t, config)
	defer func() { v.kill() }()
	soon(t, "readyz saying no", func() bool { got, _ := v.ask("/readyz"); return got == 503 })
	sheet := plan.Sheet{Name: "Low Tide", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers(), Wax: []plan.Part{{Name: "rapeseed-coconut", Grams: 900}}}
	sheet.Thresholds.Flash = &plan.FlashPoint{Celsius: 100, Method: "closed cup", Oil: "dusk"}
	if got := v.call("POST", "/api/v1/pots/pot/start", station.StartRequest{ID: "start-00000001", Sheet: sheet}, nil); got != 503 {
		t.Errorf("start: status %d, want 503: it stands and is not on disk", got)
	}
	if got := v.call("POST", "/api/v1/pots/pot/taps", station.Tap{ID: "tap-00000001", Kind: plan.EventScentAdded}, nil); got != 503 {
		t.Errorf("scent-added: status %d, want 503", got)
	}
	p := v.until("the flash-point alarm", func(p station.PotView) bool {
		for _, n := range p.Notices {
			if n.Key == "flash-margin" {
				return true
			}
		}
		return false
	})
	remount(0)
	soon(t, "the repeated tap on disk", func() bool {
		return v.call("POST", "/api/v1/pots/pot/taps", station.Tap{ID: "tap-00000001", Kind: plan.EventScentAdded}, nil) == 200
	})
	soon(t, "readyz saying yes", func() bool { got, _ := v.ask("/readyz"); return got == 200 })
	v.kill()

	v = launch(t, config)
	again := v.pot()
	if again.Batch == nil || again.Batch.ID != p.Batch.ID || len(again.Events) != 2 {
		t.Errorf("after a kill: batch %+v, events %+v; want %s with two events", again.Batch, again.Events, p.Batch.ID)
	}
	v.kill()
}

func lockDisk(t *testing.T, _ *victim, file string) func() {
	db, err := sql.Open("sqlite", file)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	soon(t, "a moment when the daemon does not write", func() bool {
		_, err := conn.ExecContext(t.Context(), "BEGIN IMMEDIATE")
		return err == nil
	})
	return func() {
		if _, err := conn.ExecContext(t.Context(), "ROLLBACK"); err != nil {
			t.Error(err)
		}
		if err := errors.Join(conn.Close(), db.Close()); err != nil {
			t.Error(err)
		}
	}
}

// limitFiles makes every write beyond the log's present size fail with EFBIG, as
// a failing card makes writes fail.
func limitFiles(t *testing.T, v *victim, file string) func() {
	info, err := os.Stat(file + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	set := func(size uint64) error {
		limit := syscall.Rlimit{Cur: size, Max: math.MaxUint64}
		const resource = 1 // RLIMIT_FSIZE
		if _, _, errno := syscall.RawSyscall6(syscall.SYS_PRLIMIT64, uintptr(v.cmd.Process.Pid), resource, uintptr(unsafe.Pointer(&limit)), 0, 0, 0); errno != 0 {
			return errno
		}
		return nil
	}
	if err := set(uint64(info.Size())); err != nil {
		t.Skipf("the size of another process's files can't be limited: %v", err)
	}
	return func() {
		if err := set(math.MaxUint64); err != nil {
			t.Error(err)
		}
	}
}

func fillDisk(t *testing.T, _ *victim, file string) func() {
	filler := filepath.Join(filepath.Dir(file), "filler")
	f, err := os.Create(filler)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := os.Remove(filler); err != nil {
			t.Error(err)
		}
	}
}

// tearFile overwrites all of the database and its log but their first pages.
func tearFile(t *testing.T, _ *victim, file string) func() {
	for _, name := range []string{file, file + "-wal"} {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		info, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		junk := make([]byte, 4096)
		for i := range junk {
			junk[i] = 0xa5
		}
		for at := int64(4096); at < info.Size(); at += 4096 {
			if _, err := f.WriteAt(junk, at); err != nil {
				t.Fatal(err)
			}
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return func() {}
}
