package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
)

// Every open page is told when a way to reach the maker fails, and when it
// works again, without asking.
func TestPagesHearOfFailingChannels(t *testing.T) {
	answers := make(chan int, 2)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(<-answers) }))
	defer hook.Close()
	dir := t.TempDir()
	path := filepath.Join(dir, "station.toml")
	settings := fmt.Sprintf("[station]\ndata = %q\n[page]\nlisten = \"127.0.0.1:0\"\n[[webhook]]\nname = \"Harbour bell\"\nurl = %q\nsecret = \"a secret for the test\"\n", filepath.ToSlash(dir), hook.URL)
	if err := os.WriteFile(path, []byte(settings), 0o600); err != nil {
		t.Fatal(err)
	}
	set, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(context.Background(), 30*time.Second)
	defer stop()
	ready, done := make(chan app.Running, 1), make(chan error, 1)
	go func() {
		done <- app.Run(ctx, app.Options{Config: set, Version: "test", Log: slog.New(slog.DiscardHandler), Ready: func(r app.Running) { ready <- r }})
	}()
	defer func() { stop(); <-done }()
	var running app.Running
	select {
	case running = <-ready:
	case err := <-done:
		done <- err
		t.Fatal(err)
	}
	page, err := openPage(ctx, running.URL)
	if err != nil {
		t.Fatal(err)
	}
	defer page.close()

	// heard waits until the page is told that the channel stands so.
	heard := func(ok bool) {
		t.Helper()
		for {
			b, err := page.next(ctx)
			if err != nil {
				t.Fatalf("the page heard nothing of the channel (ok %v): %v", ok, err)
			}
			var m station.Update
			if err := json.Unmarshal(b, &m); err != nil {
				t.Fatal(err)
			}
			for _, c := range m.Channels {
				if m.Type == "channels" && c.Name == "Harbour bell" && !c.Tried.IsZero() && c.OK == ok && (c.Reason == "") == ok {
					return
				}
			}
		}
	}
	for _, status := range []int{http.StatusInternalServerError, http.StatusOK} {
		answers <- status
		// The test is asked for by somebody else, here past the page.
		running.Station.TestChannels(ctx)
		heard(status == http.StatusOK)
	}
}
