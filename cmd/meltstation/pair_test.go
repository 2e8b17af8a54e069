package main

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard"
)

// freePort returns a port that nobody listens on.
func freePort(t *testing.T, host string) string {
	t.Helper()
	l, err := net.Listen("tcp", net.JoinHostPort(host, "0"))
	if err != nil {
		t.Skipf("no address %s here: %v", host, err)
	}
	defer l.Close()
	return l.Addr().String()
}

func TestPairCommand(t *testing.T) {
	outside := "0.0.0.0"
	if len(dashboard.LANAddresses()) == 0 {
		outside = "" // a machine without a network can't be told apart from one that stays on loopback
	}
	for _, c := range []struct{ name, host, tls, want string }{
		{"loopback alone", "127.0.0.1", "off", `open to this machine alone`},
		{"network", outside, "off", `(?s)open  http://\S+/pair\n.*code  [B-Z]{4}-[B-Z]{4}\n.*as a viewer`},
		{"network over TLS", outside, "own", `open  https://\S+/pair\n`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.host == "" {
				t.Skip("no network here")
			}
			listen := freePort(t, c.host)
			dir := t.TempDir()
			path := filepath.Join(dir, "station.toml")
			settings := "[station]\ndata = \"" + filepath.ToSlash(dir) + "\"\n[page]\nlisten = \"" + listen + "\"\ntls = \"" + c.tls + "\"\n"
			if err := os.WriteFile(path, []byte(settings), 0o600); err != nil {
				t.Fatal(err)
			}
			set, err := config.Load(path)
			if err != nil {
				t.Fatal(err)
			}
			ctx, stop := context.WithCancel(context.Background())
			done, ready := make(chan error, 1), make(chan struct{})
			go func() {
				done <- app.Run(ctx, app.Options{Config: set, Version: "test", Log: slog.New(slog.DiscardHandler), Ready: func(app.Running) { close(ready) }})
			}()
			defer func() { stop(); <-done }()
			select {
			case <-ready:
			case err := <-done:
				done <- err
				t.Fatal(err)
			case <-time.After(20 * time.Second):
				t.Fatal("the daemon does not come up")
			}
			var out, errs bytes.Buffer
			code := Main(ctx, []string{"pair", "--viewer", "--config", path}, Streams{Out: &out, Err: &errs})
			if got := out.String() + errs.String(); !regexp.MustCompile(c.want).MatchString(got) || (code == 0) != strings.Contains(c.want, "open  ") {
				t.Errorf("exit %d:\n%s\nwant %s", code, got, c.want)
			}
		})
	}
}

func TestPairWithoutADaemon(t *testing.T) {
	path := filepath.Join(t.TempDir(), "station.toml")
	if err := os.WriteFile(path, []byte("[page]\nlisten = \""+freePort(t, "127.0.0.1")+"\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := Main(context.Background(), []string{"pair", "--config", path}, Streams{Out: &out, Err: &errs}); code != 1 || !strings.Contains(errs.String(), `is "meltstation run" up`) {
		t.Errorf("exit %d: %s%s", code, &out, &errs)
	}
}

func TestTerminalQR(t *testing.T) {
	s, err := terminalQR("http://192.0.2.1:8460/pair#BCDF-GHJK")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(s, "\n"), "\n")
	strip := regexp.MustCompile("\x1b\\[[0-9;]*m").ReplaceAllString
	wide := len([]rune(strip(lines[0], "")))
	// Two modules a line; four light modules all round (ISO/IEC 18004).
	if wide < 29 || len(lines) != (wide+1)/2 || strings.TrimSpace(strip(lines[0]+lines[1], "")) != "" {
		t.Errorf("%d lines of %d:\n%s", len(lines), wide, s)
	}
}
