//go:build unix

package main

import (
	"bytes"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim/hardware"
)

// TestFilesAndSecrets runs the daemon with everything that has a secret, and a
// user mask that hides nothing: every file it makes is its owner's alone, and no
// secret is in its log, on its pages, in an export or in a problem it answers with.
func TestFilesAndSecrets(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	secrets := map[string]string{
		"the webhook's secret":  "hook-secret-0123456789abcdef",
		"the webhook's address": "hook-path-0123456789abcdef", // a token in the path, as many services have it
		"the mail password":     "mail-password-0123456789abcdef",
		"the metrics token":     "metrics-token-0123456789abcdef",
	}
	file := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	// It refuses, and says back what it was sent, to tempt the log.
	hooked := make(chan struct{}, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() { hooked <- struct{}{} }()
		w.WriteHeader(500)
		fmt.Fprintln(w, r.URL, r.Header)
	}))
	defer hook.Close()
	config := file("station.toml", fmt.Sprintf(`
[station]
name = "The Boathouse"
data = %q
[page]
listen = "127.0.0.1:0"
tls = "own"
metrics_key_file = %q
[[probe]]
every = "0.1 s"
%s
[[webhook]]
url = "%s/%s"
secret_file = %q
[[mail]]
host = "127.0.0.1"
port = 9
tls = "starttls"
user = "maker"
password_file = %q
from = "station@boathouse.example"
to = ["maker@boathouse.example"]
[push]
contact = "maker@boathouse.example"
`, data, file("metrics.key", secrets["the metrics token"]), kernelWire(t, hardware.Fixed(95)),
		hook.URL, secrets["the webhook's address"], file("hook.key", secrets["the webhook's secret"]), file("mail.key", secrets["the mail password"])))

	v := launchAs(t, exec.Command("sh", "-c", `umask 0; exec "$0" run --config "$1"`, os.Args[0], config))
	defer func() { v.kill() }()
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	defer client.CloseIdleConnections()
	shown := map[string]string{} // what anybody may come to see, by where
	ask := func(method, path string, body any) (int, string, http.Header) {
		t.Helper()
		b, err := json.Marshal(body)
		if err != nil {
			t.Fatal(err)
		}
		req, err := http.NewRequest(method, strings.TrimSuffix(v.url, "/")+path, bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		res, err := client.Do(req)
		if err != nil {
			t.Fatalf("%s: %v\n%s", path, err, &v.log)
		}
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return res.StatusCode, string(text), res.Header
	}
	must := func(want int, method, path string, body any) (string, http.Header) {
		t.Helper()
		status, text, header := ask(method, path, body)
		if status != want {
			t.Fatalf("%s %s: %d %s", method, path, status, text)
		}
		return text, header
	}

	// A phone is paired; its code and its token are secrets from then on.
	text, _ := must(201, "POST", "/api/v1/pairing-codes", map[string]string{"role": "maker"})
	var code struct{ Code string }
	if err := json.Unmarshal([]byte(text), &code); err != nil || len(code.Code) != 9 {
		t.Fatalf("%s: %v", text, err)
	}
	_, header := must(200, "POST", "/pair", map[string]string{"code": code.Code, "name": "phone"})
	cookie := header.Get("Set-Cookie")
	_, token, ok := strings.Cut(strings.SplitN(cookie, ";", 2)[0], "=")
	if !ok || len(token) < 32 {
		t.Fatalf("cookie %q", cookie)
	}
	secrets["the pairing code"], secrets["the phone's token"] = code.Code, token
	_, refusal, _ := ask("POST", "/pair", map[string]string{"code": code.Code, "name": "thief"})
	shown["a refused pairing"] = refusal

	sheet := plan.Sheet{Name: "Low Tide", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers(), Wax: []plan.Part{{Name: "rapeseed-coconut", Grams: 900}}}
	sheet.Thresholds.Flash = &plan.FlashPoint{Celsius: 100, Method: "closed cup", Oil: "dusk"}
	must(201, "POST", "/api/v1/pots/pot/start", station.StartRequest{ID: "start-00000001", Sheet: sheet})
	must(200, "POST", "/api/v1/pots/pot/taps", station.Tap{ID: "tap-00000001", Kind: plan.EventScentAdded})
	must(204, "PUT", "/api/v1/preferences", map[string]any{"units": "F", "mass": "oz", "clock": "12", "theme": "dark", "sound": false, "language": "en"})
	<-hooked // the flash-point alarm goes out; the hook fails, and is tried again
	<-hooked
	must(200, "POST", "/api/v1/channels/test", nil)
	must(200, "GET", "/api/v1/push/key", nil)
	shown["channels"], _ = must(200, "GET", "/api/v1/channels", nil)
	snapshot, _ := must(200, "GET", "/api/v1/snapshot", nil)
	shown["snapshot"] = snapshot
	var s station.Snapshot
	if err := json.Unmarshal([]byte(snapshot), &s); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/metrics", "/readyz", "/api/v1/devices", "/api/v1/batches", "/api/v1/batches/" + s.Pots[0].Batch.ID + "/record.json", "/api/v1/batches/" + s.Pots[0].Batch.ID + "/record.csv", "/api/v1/me", "/"} {
		_, shown[path], _ = ask("GET", path, nil)
	}
	runCommandLine(t, 0, "backup", filepath.Join(dir, "copy.db"), "--data", data)
	for _, format := range []string{"json", "csv", "html", "svg"} {
		out, errs := runCommandLine(t, 0, "export", "--data", data, "--format", format)
		shown["export "+format] = out + errs
	}

	// Stopped in order, so that every file there will be is there.
	if err := v.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- v.cmd.Wait() }()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Fatal("the daemon did not stop")
	}
	shown["the log"] = v.log.String()
	if !strings.Contains(shown["the log"], "webhook") {
		t.Errorf("the log says nothing of the webhook that failed, so it proves nothing:\n%s", shown["the log"])
	}

	// The keys by which push messages are signed are in the trace and nowhere else.
	store, err := trace.Open(filepath.Join(data, app.TraceName), trace.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	doc, err := store.Doc(t.Context(), "push-keys", "station")
	if err != nil {
		t.Fatal(err)
	}
	var keys struct{ Private string }
	if err := json.Unmarshal(doc, &keys); err != nil {
		t.Fatal(err)
	}
	secrets["the push key"] = keys.Private
	for where, text := range shown {
		for what, secret := range secrets {
			if secret == "" || len(secret) < 8 {
				t.Fatalf("%s is %q: the test looks for nothing", what, secret)
			}
			if strings.Contains(text, secret) {
				t.Errorf("%s shows %s", where, what)
			}
		}
	}

	made := 0
	err = filepath.WalkDir(data, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		made++
		if got := info.Mode().Perm(); got&0o077 != 0 {
			t.Errorf("%s has mode %o: others may see it", path, got)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if made < 6 {
		t.Errorf("only %d files and folders: the test looks at too little", made)
	}
	if info, err := os.Stat(filepath.Join(dir, "copy.db")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the backup: %v, %v", info.Mode(), err)
	}
}
