//go:build unix

package main

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard"
	"example.org/meltstation/dashboard/cert"
	"example.org/meltstation/dashboard/page/browsertest"
	"example.org/meltstation/sim/hardware"
)

// runUntil runs the daemon from settings until the test ends.
func runUntil(t *testing.T, path string) app.Running {
	t.Helper()
	set, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ready, done := make(chan app.Running, 1), make(chan error, 1)
	go func() {
		done <- app.Run(ctx, app.Options{Config: set, Version: "test", Log: slog.New(slog.DiscardHandler), Ready: func(r app.Running) { ready <- r }})
	}()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("the daemon ended with: %v", err)
		}
	})
	select {
	case r := <-ready:
		return r
	case err := <-done:
		done <- nil
		t.Fatal(err)
	case <-time.After(20 * time.Second):
		t.Fatal("the daemon does not come up")
	}
	panic("not reached")
}

// Phones join over the machine's own address on the network, over TLS with the
// certificate that the station made: paired by a code that serves once, one to
// work with and one to watch, until they are removed. The context is a secure
// one there, so the page can be installed and keeps the screen on.
func TestPhonesOnTheNetwork(t *testing.T) {
	lan := dashboard.LANAddresses()
	if len(lan) == 0 {
		t.Skip("this machine has no address but loopback")
	}
	// The page is asked for by name: a call from the station's own address to that
	// very address would be the maker at the station, who needs no pairing.
	const name = "boathouse.local"
	dir := t.TempDir()
	path := filepath.Join(dir, "station.toml")
	settings := fmt.Sprintf("[station]\nname = \"The Boathouse\"\ndata = %q\n[page]\nhosts = [%q]\nlisten = \"0.0.0.0:0\"\ntls = \"own\"\n[push]\ncontact = \"maker@boathouse.example\"\n[[probe]]\nevery = \"0.2 s\"\n%s", dir, name, kernelWire(t, hardware.Fixed(62)))
	if err := os.WriteFile(path, []byte(settings), 0o600); err != nil {
		t.Fatal(err)
	}
	running := runUntil(t, path)
	b, err := os.ReadFile(filepath.Join(dir, "tls", cert.RootFile))
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(b)
	if block == nil {
		t.Fatalf("no certificate in %s", cert.RootFile)
	}
	root, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	here, err := url.Parse(running.URL)
	if err != nil {
		t.Fatal(err)
	}
	base := "https://" + net.JoinHostPort(name, here.Port())

	browser := browsertest.Open(t, browsertest.Trusting(root), browsertest.Resolving(name, lan[0].String()))
	const prefs = `localStorage.getItem("meltstation.prefs") || localStorage.setItem("meltstation.prefs", '{"sound":false,"clock":"24"}');`
	// What the page asks of the screen is kept, with the browser's answer.
	const lock = `window.locks = []; if (navigator.wakeLock) { const ask = navigator.wakeLock.request.bind(navigator.wakeLock);
		navigator.wakeLock.request = (...a) => ask(...a).then((l) => { locks.push("held"); return l; }, (e) => { locks.push(e.name); throw e; }); }`

	maker := browser.Page(t, browsertest.Laptop, "light", true)
	maker.BeforeLoad(prefs)
	maker.Go(running.URL + "#/setup")
	code := func(role string) string {
		t.Helper()
		maker.Click(fmt.Sprintf("#setup-pair [data-key=%s]", role))
		maker.WaitText("dialog .pair-url", "https://"+net.JoinHostPort(lan[0].String(), here.Port())+"/pair")
		maker.Wait("the QR code", `document.querySelector("dialog .qr img")?.naturalWidth > 0`)
		words := strings.TrimSpace(maker.Text("dialog .code"))
		maker.Shot("pairing-" + role)
		maker.Axe("pairing")
		maker.Click("dialog .strong")
		maker.Wait("the dialog to go", `!document.querySelector("dialog")`)
		return words
	}
	join := func(p *browsertest.Page, code, name string) {
		t.Helper()
		p.BeforeLoad(prefs + lock)
		p.Go(base + "/")
		p.Wait("to be sent to pair", `location.pathname === "/pair"`)
		p.Type("#code", strings.ToLower(strings.ReplaceAll(code, "-", ""))) // as a thumb types it
		p.Type("#name", name)
		p.Click("#send")
		p.WaitText(".temp", "62")
	}

	first := code("maker")
	phone := browser.Page(t, browsertest.Phone, "light", false) // a device that keeps what it is told, as installing needs
	join(phone, first, "Kitchen phone")
	var secure bool
	phone.Eval(`isSecureContext`, &secure)
	if !secure {
		t.Errorf("%s is no secure context", base)
	}
	phone.Wait("the worker that opens the page without a station", `navigator.serviceWorker.controller !== null`)
	if why := phone.Installable(); len(why) > 0 {
		t.Errorf("the browser would not install the page: %q", why)
	}

	// A batch keeps the screen on, and shows on the phone though it was started elsewhere.
	sheet := plan.Sheet{Name: "Low Tide", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers(), Wax: []plan.Part{{Name: "rapeseed-coconut", Grams: 900}}}
	if _, err := running.Station.Start(t.Context(), "pot", station.StartRequest{ID: "start-00000001", Sheet: sheet, Who: "test"}); err != nil {
		t.Fatal(err)
	}
	phone.WaitText(".stage", "Melting")
	phone.Wait("the screen to be asked to stay on", `locks.length > 0`)
	var locks []string
	phone.Eval(`locks`, &locks)
	t.Logf("the screen: %q", locks)

	// One that only watches sees the batch and can change nothing, however it asks.
	second := code("viewer")
	watcher := browser.Page(t, browsertest.Phone, "dark", true)
	join(watcher, second, "Tablet in the shop")
	watcher.WaitText(".stage", "Melting")
	watcher.WaitText(".taps", "This device only watches")
	var tried struct {
		Buttons, Tap, Pair int
	}
	watcher.Eval(`(async () => {
		const send = async (path, body) => (await fetch(path, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(body)})).status;
		return {Buttons: document.querySelectorAll(".taps button").length, Tap: await send("/api/v1/pots/pot/taps", {id: "tap-00000001", kind: "heat-off"}), Pair: await send("/api/v1/pairing-codes", {role: "maker"})};
	})()`, &tried)
	if tried.Buttons != 0 || tried.Tap != 403 || tried.Pair != 403 {
		t.Errorf("one that only watches has %d tap buttons; its tap is answered %d, its asking for a code %d; want none, 403, 403", tried.Buttons, tried.Tap, tried.Pair)
	}
	watcher.Shot("watcher")

	// A code serves once.
	thief := browser.Page(t, browsertest.Phone, "light", true)
	thief.Go(base + "/pair#" + first)
	thief.Wait("the code from the address", `document.querySelector("#code").value !== "" && location.hash === ""`)
	thief.Click("#send")
	thief.Wait("a refusal in words", `document.querySelector("#answer").textContent.length > 10`)
	thief.Shot("pairing-refused")
	t.Logf("a code used again: %q", thief.Text("#answer"))

	// The tap of the one that may is seen by the other.
	phone.Click(`[data-tap="scent-added"]`)
	phone.WaitText("#toasts", "Scent in: kept at")
	watcher.WaitText(".stage", "Stirring")

	// Messages to a phone that sleeps: the browser is asked, and the maker sees that
	// it is. A test's browser has no service for them, and may take long to say so.
	phone.Allow("notifications")
	phone.Go(base + "/#/setup")
	phone.Click(`[data-key="push"]`)
	phone.Wait("the browser to be asked for messages", `document.querySelector("#toasts .bad") || ["Asking…", "Switch off"].includes(document.querySelector('[data-key="push"]').textContent)`)
	t.Logf("messages: %q, then %q", phone.Text("#toasts"), phone.Text(`[data-key="push"]`))

	// Removed, it is out at once: what it has open, and what it asks.
	maker.WaitText("#setup-devices", "Tablet in the shop")
	maker.WaitText("#setup-devices", "may tap")
	maker.Shot("devices")
	maker.Click(`#setup-devices [aria-label="Remove: Tablet in the shop"]`)
	maker.WaitText("dialog", "It will have to be paired again")
	maker.Click("dialog .danger")
	watcher.WaitText("#strips", "no longer paired")
	watcher.Shot("removed")
	watcher.Axe("removed")
	var status int
	watcher.Eval(`fetch("/api/v1/snapshot").then(r => r.status)`, &status)
	if status != 401 {
		t.Errorf("a removed device is answered %d, want 401", status)
	}
	maker.Wait("the device to go from the list", `!document.querySelector("#setup-devices").innerText.includes("Tablet in the shop")`)
	watcher.Click("#strips button")
	watcher.Wait("to be sent to pair", `location.pathname === "/pair"`)
	for _, p := range []*browsertest.Page{maker, phone, watcher} {
		p.NoErrors()
	}
}
