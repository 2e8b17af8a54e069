//go:build unix

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim/hardware"
)

var killRounds = flag.Int("kills", 25, "how often TestKill kills the daemon")

// TestMain lets the test binary be the program itself, so that a test can kill it.
func TestMain(m *testing.M) {
	if os.Getenv("MELTSTATION_TEST_AS_PROGRAM") == "1" {
		os.Exit(Main(context.Background(), os.Args[1:], Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}))
	}
	os.Exit(m.Run())
}

// victim is a daemon in a process of its own.
type victim struct {
	t   *testing.T
	cmd *exec.Cmd
	url string
	log bytes.Buffer
}

func launch(t *testing.T, config string) *victim {
	t.Helper()
	return launchAs(t, exec.Command(os.Args[0], "run", "--config", config))
}

func launchAs(t *testing.T, cmd *exec.Cmd) *victim {
	t.Helper()
	v := &victim{t: t, cmd: cmd}
	v.cmd.Env = append(os.Environ(), "MELTSTATION_TEST_AS_PROGRAM=1")
	v.cmd.Stderr = &v.log
	out, err := v.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := v.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	_, url, ok := strings.Cut(strings.TrimSpace(line), "Open ")
	if err != nil || !ok {
		v.kill()
		t.Fatalf("the daemon said %q, %v\n%s", line, err, &v.log)
	}
	v.url = url
	return v
}

// kill ends it as kill -9 does: without a word.
func (v *victim) kill() {
	v.cmd.Process.Kill()
	v.cmd.Wait()
}

// call sends a request and returns the status; a daemon that is gone is status 0.
func (v *victim) call(method, path string, body, into any) int {
	v.t.Helper()
	var r io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			v.t.Fatal(err)
		}
		r = bytes.NewReader(b)
	}
	req, err := http.NewRequest(method, strings.TrimSuffix(v.url, "/")+path, r)
	if err != nil {
		v.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		return 0
	}
	if into != nil && res.StatusCode < 300 {
		if err := json.Unmarshal(b, into); err != nil {
			v.t.Fatalf("%s %s: %v: %s", method, path, err, b)
		}
	}
	if res.StatusCode >= 400 {
		v.t.Logf("%s %s: %d %s", method, path, res.StatusCode, b)
	}
	return res.StatusCode
}

func (v *victim) pot() station.PotView {
	v.t.Helper()
	var s station.Snapshot
	if got := v.call("GET", "/api/v1/snapshot", nil, &s); got != 200 {
		v.t.Fatalf("snapshot: status %d\n%s", got, &v.log)
	}
	return s.Pots[0]
}

// until asks for the pot again and again until ok holds.
func (v *victim) until(what string, ok func(station.PotView) bool) station.PotView {
	v.t.Helper()
	deadline := time.After(20 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		p := v.pot()
		if ok(p) {
			return p
		}
		select {
		case <-deadline:
			v.t.Fatalf("%s never came; the pot: stage %s, reading %+v, notices %+v\n%s", what, p.Stage, p.Reading, p.Notices, &v.log)
		case <-tick.C:
		}
	}
}

// TestKill kills the daemon without warning, at random moments under load, and
// starts it again: what it had answered for is there, the batch goes on, the
// alarm that stood still stands, and the database is whole.
//
// A kill is not a power cut: what the kernel had accepted survives a kill. That
// events are synced to the medium before they are answered for is the trace's
// own business (see its tests).
func TestKill(t *testing.T) {
	const wax = 95.0 // above the flash point less its margin, below boiling
	probeTable := kernelWire(t, hardware.Fixed(wax))
	data := t.TempDir()
	file := filepath.Join(data, "station.toml")
	text := fmt.Sprintf("[station]\nname = \"The Boathouse\"\ndata = %q\n[page]\nlisten = \"127.0.0.1:0\"\n[[probe]]\nevery = \"0.05 s\"\n%s", data, probeTable)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}

	sheet := plan.Sheet{Name: "Low Tide", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers(), Wax: []plan.Part{{Name: "rapeseed-coconut", Grams: 900}}}
	sheet.Thresholds.Flash = &plan.FlashPoint{Celsius: 100, Method: "closed cup", Oil: "dusk"}
	v := launch(t, file)
	defer func() { v.kill() }()
	v.until("a reading", func(p station.PotView) bool { return p.Reading != nil && p.Reading.Celsius != nil })
	if got := v.call("POST", "/api/v1/pots/pot/start", station.StartRequest{ID: "start-00000001", Sheet: sheet}, nil); got != 201 {
		t.Fatalf("start: status %d", got)
	}
	code := v.pot().Batch.ID
	acked := []string{"start-00000001"} // what the daemon has answered for
	tap := func(kind plan.EventKind) bool {
		e := station.Tap{ID: fmt.Sprintf("tap-%s-%04d", kind, len(acked)), Kind: kind, Text: "a note"}
		if v.call("POST", "/api/v1/pots/pot/taps", e, nil) != 200 {
			return false
		}
		acked = append(acked, e.ID)
		return true
	}
	if !tap(plan.EventScentAdded) {
		t.Fatal("scent-added was refused")
	}
	const alarm = "flash-margin"
	stands := func(p station.PotView) *station.NoticeView {
		for i := range p.Notices {
			if p.Notices[i].Key == alarm {
				return &p.Notices[i]
			}
		}
		return nil
	}
	v.until(alarm, func(p station.PotView) bool { return stands(p) != nil })
	// An acknowledged transition of an alarm must survive too.
	if got := v.call("POST", "/api/v1/pots/pot/notices/"+alarm+"/acknowledge", nil, nil); got != 204 {
		t.Fatalf("acknowledge: status %d", got)
	}
	wantState := stands(v.pot()).State

	rng := rand.New(rand.NewPCG(1, 2))
	for round := range *killRounds {
		done := make(chan struct{})
		after := time.Duration(rng.IntN(60)) * time.Millisecond
		victim := v
		time.AfterFunc(after, func() { defer close(done); victim.cmd.Process.Kill() })
		for tap(plan.EventNote) {
		}
		<-done
		victim.cmd.Wait()
		if err := trace.Check(t.Context(), filepath.Join(data, app.TraceName)); err != nil {
			t.Fatalf("round %d: the database is damaged: %v", round, err)
		}

		v = launch(t, file)
		p := v.pot()
		if p.Batch == nil || p.Batch.ID != code {
			t.Fatalf("round %d: the batch is gone: %+v", round, p.Batch)
		}
		for _, id := range acked {
			if !slices.ContainsFunc(p.Events, func(e plan.Event) bool { return e.ID == id }) {
				t.Errorf("round %d: event %s was answered for and is lost", round, id)
			}
		}
		if n := stands(p); n == nil || n.State != wantState {
			t.Errorf("round %d: the %s alarm stood as %q and now: %+v", round, alarm, wantState, n)
		}
	}
	t.Logf("%d kills, %d events answered for, none lost", *killRounds, len(acked))

	// Every reading on disk is there, in order, without a gap in the numbers.
	v.kill()
	store, err := trace.Open(filepath.Join(data, app.TraceName), trace.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var last int64
	readings := 0
	for e, err := range store.Entries(t.Context(), code, 0) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Seq <= last {
			t.Fatalf("entry %d comes after %d", e.Seq, last)
		}
		last = e.Seq
		if e.Kind == trace.KindReading {
			readings++
		}
	}
	if readings == 0 {
		t.Error("no reading survived")
	}
}
