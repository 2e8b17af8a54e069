package browsertest

//lint:file-ignore SA1019 the module the dashboard speaks, here to speak to a browser; see DEVELOPERS.md.

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"nhooyr.io/websocket"
)

// fox is a Firefox driven over WebDriver BiDi (W3C), which it speaks itself.
type fox struct {
	t    *testing.T
	conn *websocket.Conn
	tab  string

	mu      sync.Mutex
	last    int
	waiting map[int]chan json.RawMessage
	faults  []string
}

// openFox starts a Firefox with a profile of its own, which ends with the test.
func openFox(t *testing.T) *fox {
	t.Helper()
	var path string
	for _, name := range []string{"firefox-esr", "firefox"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if Required() {
			t.Fatal("MELTSTATION_BROWSER=require, but there is no firefox-esr or firefox in PATH")
		}
		t.Skip("no firefox in PATH")
	}
	ctx, stop := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, path, "--headless", "--no-remote", "--remote-debugging-port", "0", "--profile", t.TempDir())
	cmd.Env = append(os.Environ(), "HOME="+t.TempDir(), "MOZ_CRASHREPORTER_DISABLE=1")
	out, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("starting %s: %v", path, err)
	}
	f := &fox{t: t, waiting: map[int]chan json.RawMessage{}}
	address := make(chan string, 1)
	drained := make(chan struct{})
	go func() {
		defer close(drained)
		listening := regexp.MustCompile(`WebDriver BiDi listening on (ws://\S+)`)
		for s := bufio.NewScanner(out); s.Scan(); {
			if m := listening.FindStringSubmatch(s.Text()); m != nil {
				select {
				case address <- m[1]:
				default:
				}
			}
		}
	}()
	t.Cleanup(func() {
		if f.conn != nil {
			f.conn.CloseNow()
		}
		stop()
		<-drained
		cmd.Wait()
	})
	var url string
	select {
	case url = <-address:
	case <-time.After(2 * patience):
		t.Fatal("Firefox does not say where it listens")
	}
	if f.conn, _, err = websocket.Dial(ctx, url+"/session", nil); err != nil {
		t.Fatalf("speaking to Firefox: %v", err)
	}
	f.conn.SetReadLimit(1 << 26)
	go f.listen(ctx)
	f.call("session.new", obj{"capabilities": obj{}}, nil)
	f.call("session.subscribe", obj{"events": []string{"log.entryAdded"}}, nil)
	var tree struct{ Contexts []struct{ Context string } }
	f.call("browsingContext.getTree", obj{}, &tree)
	f.tab = tree.Contexts[0].Context
	return f
}

func (f *fox) listen(ctx context.Context) {
	for {
		_, b, err := f.conn.Read(ctx)
		if err != nil {
			return
		}
		var m struct {
			ID     int
			Method string
			Params struct{ Level, Text string }
		}
		if json.Unmarshal(b, &m) != nil {
			continue
		}
		f.mu.Lock()
		if c := f.waiting[m.ID]; c != nil && m.Method == "" {
			delete(f.waiting, m.ID)
			c <- b
		}
		if m.Method == "log.entryAdded" && m.Params.Level == "error" {
			f.faults = append(f.faults, m.Params.Text)
		}
		f.mu.Unlock()
	}
}

// call sends a command and stores its result, unless result is nil.
func (f *fox) call(method string, params obj, result any) {
	f.t.Helper()
	f.mu.Lock()
	f.last++
	id, answer := f.last, make(chan json.RawMessage, 1)
	f.waiting[id] = answer
	f.mu.Unlock()
	b, err := json.Marshal(obj{"id": id, "method": method, "params": params})
	if err != nil {
		f.t.Fatal(err)
	}
	if err := f.conn.Write(context.Background(), websocket.MessageText, b); err != nil {
		f.t.Fatalf("%s: %v", method, err)
	}
	var got struct {
		Error, Message string
		Result         json.RawMessage
	}
	select {
	case b := <-answer:
		if err := json.Unmarshal(b, &got); err != nil {
			f.t.Fatalf("%s: %v", method, err)
		}
	case <-time.After(patience):
		f.t.Fatalf("%s: Firefox does not answer", method)
	}
	if got.Error != "" {
		f.t.Fatalf("%s: %s: %s", method, got.Error, got.Message)
	}
	if result != nil {
		if err := json.Unmarshal(got.Result, result); err != nil {
			f.t.Fatalf("%s gave %s: %v", method, got.Result, err)
		}
	}
}

// eval runs a script, waits for its promise, and returns its value as JSON.
func (f *fox) eval(script string) string {
	f.t.Helper()
	var got struct {
		Type             string
		Result           struct{ Value string }
		ExceptionDetails struct{ Text string }
	}
	f.call("script.evaluate", obj{"expression": "Promise.resolve(" + script + ").then((v) => String(JSON.stringify(v)))", "awaitPromise": true, "target": obj{"context": f.tab}}, &got)
	if got.Type != "success" {
		f.t.Fatalf("%s: %s", script, got.ExceptionDetails.Text)
	}
	return got.Result.Value
}

// wait waits until a script's value is true.
func (f *fox) wait(what, script string) {
	f.t.Helper()
	end := fmt.Sprintf(`new Promise((done) => { const end = performance.now() + %d; (function look() { let ok = false; try { ok = !!(%s); } catch {} if (ok || performance.now() > end) done(ok); else setTimeout(look, 40); })(); })`, (patience - 5*time.Second).Milliseconds(), script)
	if f.eval(end) != "true" {
		f.t.Fatalf("%s did not come about; the page shows:\n%s\nerrors: %q", what, f.eval(`document.body.innerText.slice(0, 1200)`), f.faults)
	}
}

func (f *fox) open(url string) {
	f.t.Helper()
	f.call("browsingContext.navigate", obj{"context": f.tab, "url": url, "wait": "complete"}, nil)
}

// click clicks in the middle of an element, wherever that is on the screen.
func (f *fox) click(selector string) {
	f.t.Helper()
	f.wait(selector+" to be clickable", fmt.Sprintf(`document.querySelector(%q) && !document.querySelector(%q).disabled`, selector, selector))
	var at [2]int
	if err := json.Unmarshal([]byte(f.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"}); const r = e.getBoundingClientRect(); return [Math.round(r.x + r.width / 2), Math.round(r.y + r.height / 2)]; })()`, selector))), &at); err != nil {
		f.t.Fatal(err)
	}
	f.call("input.performActions", obj{"context": f.tab, "actions": []obj{{"type": "pointer", "id": "mouse", "actions": []obj{
		{"type": "pointerMove", "x": at[0], "y": at[1]}, {"type": "pointerDown", "button": 0}, {"type": "pointerUp", "button": 0}}}}}, nil)
}

func (f *fox) shot(name string) {
	f.t.Helper()
	dir := os.Getenv("MELTSTATION_SHOTS")
	if dir == "" {
		return
	}
	var got struct{ Data string }
	f.call("browsingContext.captureScreenshot", obj{"context": f.tab}, &got)
	png, err := base64.StdEncoding.DecodeString(got.Data)
	if err == nil {
		err = os.MkdirAll(dir, 0o755)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644)
	}
	if err != nil {
		f.t.Fatalf("screenshots: %v", err)
	}
}

// The page works in Firefox: every view stands and fits a phone without an
// error or a breach of the security policy, a tap is kept and taken back, the
// curve is read off, a cue is seen, and a station that was away is back.
func TestFirefox(t *testing.T) {
	x := openFox(t)
	x.call("browsingContext.setViewport", obj{"context": x.tab, "viewport": obj{"width": 390, "height": 844}}, nil)
	x.call("script.addPreloadScript", obj{"functionDeclaration": "() => { try { " + quiet + " } catch {} }"}, nil)
	fits := func(name string) {
		t.Helper()
		if got := x.eval(`document.documentElement.scrollWidth <= innerWidth`); got != "true" {
			t.Errorf("%s: the page can be scrolled sideways", name)
		}
		x.shot("firefox-" + name)
	}
	for _, v := range []struct{ name, scene, hash, ready string }{
		{"melting", "melting", "", ".temp"}, {"cue", "cue", "", ".cue-ack"}, {"alarm", "alarm", "", ".alarm[open]"}, {"two", "two", "", ".temp"},
		{"sheet", "idle", "#/sheet", ".stepper"}, {"recipe", "idle", "#/recipe/harbour-fog", ".recipe .field"}, {"shelf", "idle", "#/shelf", ".shelf-row"},
		{"records", "idle", "#/records", ".records li"}, {"record", "idle", "#/records/b-0039", ".u-over"}, {"compare", "idle", "#/compare?ids=b-0042,b-0039", ".u-over"},
		{"setup", "idle", "#/setup", ".probes li"}, {"pair", "idle", "pair", "#code"},
	} {
		_, url := serve(t, v.scene)
		x.open(url + "/" + v.hash)
		if v.hash != "pair" {
			x.wait(v.name, settled)
		}
		x.wait(v.name+" to be ready", fmt.Sprintf("document.querySelector(%q)", v.ready))
		fits(v.name)
		x.open("about:blank")
	}

	_, url := serve(t, "cooling")
	x.open(url + "/#/curve")
	x.wait("the curve", `document.querySelector(".u-over") && document.querySelector(".curve-key li")`)
	x.click(".u-over")
	x.wait("a time and a temperature under the pointer", `/\d:\d\d:\d\d.+\d.°C/.test(document.querySelector(".read").textContent)`)
	fits("curve")
	x.open("about:blank")

	f, url := serve(t, "scent")
	x.open(url + "/")
	x.wait("the buttons to have stood for a while", `document.querySelector("[data-tap=scent-added]") && performance.now() > 1500`)
	x.click(`[data-tap="scent-added"]`)
	x.wait("the tap to be kept", `document.querySelector("#toasts").innerText.includes("kept at")`)
	x.wait("the stage", `document.querySelector(".stage").textContent === "Stirring"`)
	fits("tap")
	x.click("#toasts button")
	x.wait("it to be taken back", `document.querySelector("#toasts").innerText.includes("Taken back")`)
	f.notice(pourCue())
	x.wait("the cue", `document.querySelector(".next").innerText.includes("Pour now") && document.title.startsWith("Pour now")`)
	x.mu.Lock()
	faults := x.faults
	x.mu.Unlock()
	if len(faults) > 0 { // before the station goes away, which the browser tells too
		t.Errorf("the page had errors:\n%s", strings.Join(faults, "\n"))
	}
	f.cut(true)
	x.wait("the page to say that the station is away", `document.querySelector("#strips").innerText.includes("Nothing heard from the station")`)
	f.mu.Lock()
	f.down = false
	f.mu.Unlock()
	x.wait("the page to be back", `document.documentElement.dataset.link === "live"`)
}
