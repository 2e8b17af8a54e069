package browsertest

import (
	"fmt"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/meltstation/dashboard/page"
)

// settled is true once the page has drawn what the station said.
const settled = `document.documentElement.dataset.link === "live" && !document.querySelector(".loading") && document.querySelector("#main > *")`

// One browser serves every test of the package; each page is a device of its own.
var (
	once    sync.Once
	browser *Browser
	closing []func()
)

// lasting is a test that outlives the one that first asks for the browser.
type lasting struct{ testing.TB }

func (l lasting) Cleanup(f func()) { closing = append(closing, f) }

func (l lasting) TempDir() string {
	dir, err := os.MkdirTemp("", "meltstation-browser-")
	if err != nil {
		l.Fatal(err)
	}
	closing = append(closing, func() { os.RemoveAll(dir) })
	return dir
}

func shared(t *testing.T) *Browser {
	t.Helper()
	once.Do(func() { browser = Open(lasting{t}) })
	if browser == nil {
		t.Skip("no browser")
	}
	return browser
}

func TestMain(m *testing.M) {
	code := m.Run()
	for _, f := range slices.Backward(closing) {
		f()
	}
	os.Exit(code)
}

func serve(t *testing.T, scene string) (*fake, string) {
	t.Helper()
	f := newFake(page.FS(), scene)
	srv := httptest.NewServer(f)
	t.Cleanup(func() { f.cut(true); srv.CloseClientConnections(); srv.Close() })
	return f, srv.URL
}

// quiet answers the question about sound, so that it does not stand in the way.
const quiet = `if (!localStorage.getItem("meltstation.prefs")) localStorage.setItem("meltstation.prefs", '{"sound":false,"clock":"24"}');`

// Every view is looked at in each state that changes its shape: it must fit the
// screen, have targets that can be hit, be free of errors, and pass axe.
func TestEveryView(t *testing.T) {
	b := shared(t)
	type view struct{ name, scene, hash, ready string }
	views := []view{
		{"melting", "melting", "", ".temp"},
		{"scent", "scent", "", ".temp"},
		{"stirring", "stirring", "", ".temp"},
		{"cooling", "cooling", "", ".temp"},
		{"window", "window", "", ".temp"},
		{"setting", "setting", "", ".temp"},
		{"curing", "curing", "", ".temp"},
		{"idle", "idle", "", ".temp"},
		{"cold", "cold", "", ".temp"},
		{"early", "early", "", ".temp"},
		{"wont", "wont", "", ".temp"},
		{"cue", "cue", "", ".cue-ack"},
		{"alarm", "alarm", "", ".alarm[open]"},
		{"asked", "asked", "", ".ask-strip"},
		{"suspect", "suspect", "", ".strip.alarm"},
		{"dead", "dead", "", ".dead:not([hidden])"},
		{"long", "long", "", ".temp"},
		{"two", "two", "", ".temp"},
		{"three", "three", "", ".temp"},
		{"none", "none", "", ".empty"},
		{"curve", "cooling", "#/curve", ".u-over"},
		{"curve-melting", "melting", "#/curve/pot", ".u-over"},
		{"sheet", "idle", "#/sheet", ".stepper"},
		{"sheet-none", "none", "#/sheet", ".empty"},
		{"recipe", "idle", "#/recipe/harbour-fog", ".recipe .field"},
		{"shelf", "idle", "#/shelf", ".shelf-row"},
		{"shelf-none", "none", "#/shelf", ".empty"},
		{"records", "idle", "#/records", ".records li"},
		{"records-none", "none", "#/records", ".empty"},
		{"record", "idle", "#/records/b-0039", ".u-over"},
		{"compare", "idle", "#/compare?ids=b-0042,b-0039", ".u-over"},
		{"setup", "idle", "#/setup", ".probes li"},
		{"setup-viewer", "long", "#/setup", ".probes li"},
		{"nowhere", "idle", "#/nowhere", ".empty"},
		{"pair", "idle", "pair", "#code"},
	}
	looks := []struct {
		size  Size
		theme string
		axe   bool
	}{{Phone, "light", true}, {Phone, "dark", true}, {Lying, "light", false}, {Tablet, "light", false}, {Tablet, "dark", false}, {Laptop, "light", false}, {Laptop, "dark", false}}
	if !Required() { // a look at the most different ones
		looks = looks[:1]
		views = slices.DeleteFunc(views, func(v view) bool {
			return !slices.Contains([]string{"cue", "alarm", "long", "curve", "recipe", "record", "setup"}, v.name)
		})
	}
	for _, look := range looks {
		// One tab for all: each scene has an address, so a storage, of its own.
		tab := b.Page(t, look.size, look.theme, true)
		tab.BeforeLoad(quiet)
		for _, v := range views {
			name := fmt.Sprintf("%s-%s-%s", v.name, look.size.Name, look.theme)
			t.Run(name, func(t *testing.T) {
				_, url := serve(t, v.scene)
				p := tab.In(t)
				p.Go(url + "/" + v.hash)
				if v.hash != "pair" {
					p.Wait("the page", settled)
				}
				p.Wait(v.ready, fmt.Sprintf("document.querySelector(%q)", v.ready))
				p.Fits(name)
				p.Targets(name)
				if look.axe {
					p.Axe(name)
				}
				p.Shot(name)
				p.NoErrors()
				p.Go("about:blank") // the station may go now without the page complaining
			})
		}
	}
}

// A tap is kept by the station before the page says so, shows on every other
// page, and can be taken back.
func TestTapIsSharedAndUndone(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "scent")
	one, two := b.Page(t, Phone, "light", true), b.Page(t, Tablet, "dark", true)
	for _, p := range []*Page{one, two} {
		p.BeforeLoad(quiet)
		p.Go(url + "/")
		p.WaitText(".stage", "Ready for scent")
	}
	one.Click(`[data-tap="scent-added"]`)
	one.WaitText("#toasts", "Scent in: kept at")
	one.WaitText(".stage", "Stirring")
	two.WaitText(".stage", "Stirring")

	f.mu.Lock()
	n, tap := len(f.taps), f.taps[0]
	f.mu.Unlock()
	if n != 1 {
		t.Fatalf("%d taps came, want 1", n)
	}
	if id, _ := tap["id"].(string); len(id) < 8 {
		t.Errorf("the tap's id is %q, want 8 characters or more", id)
	}
	if tap["stamp"] != float64(8) { // newPot starts at 7 and enters one stage
		t.Errorf("the tap's stamp is %v, want 8", tap["stamp"])
	}
	one.Click("#toasts button")
	one.WaitText("#toasts", "Taken back")
	f.mu.Lock()
	defer f.mu.Unlock()
	if want := fmt.Sprintf("POST /pots/pot/events/%v/withdraw", tap["id"]); f.calls[len(f.calls)-1] != want {
		t.Errorf("the last call is %q, want %q", f.calls[len(f.calls)-1], want)
	}
}

// A double tap is one tap: the second half must not land on the button that
// takes the first one's place.
func TestDoubleTap(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "scent")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".stage", "Ready for scent")
	p.Wait("the buttons to be a while old", `document.querySelector("[data-tap=scent-added]") && performance.now() > 1500`)
	p.Eval(`(() => { const b = document.querySelector("[data-tap=scent-added]"); b.click(); b.click(); })()`, nil)
	p.WaitText(".stage", "Stirring")
	p.Eval(`document.querySelector(".tap-first button").click()`, nil) // at once, on what is there now
	p.WaitText(".tap-word", "the second tap was not counted")
	p.WaitText("#toasts", "Scent in: kept at")
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.taps) != 1 {
		t.Errorf("%d taps came, want 1: %v", len(f.taps), f.taps)
	}
}

// A tap on what is no longer so is refused by the station, and said so.
func TestStaleTap(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "scent")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".stage", "Ready for scent")
	f.mu.Lock()
	f.refuse = "stale"
	stage(f.pot(), "stirring") // the page has not heard of it yet
	f.mu.Unlock()
	p.Click(`[data-tap="scent-added"]`)
	p.WaitText("#toasts", "the pot had already moved on")
	p.WaitText(".stage", "Stirring")
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.taps) != 0 {
		t.Errorf("a refused tap was kept: %v", f.taps)
	}
}

// While the station is away the page says so and since when, disables its taps,
// queues none, and comes back by itself.
func TestStationGoesAndComesBack(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "scent")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".stage", "Ready for scent")
	f.cut(true)
	p.WaitText("#strips", "Nothing heard from the station since")
	p.Wait("taps to be disabled", `document.querySelector("[data-tap=scent-added]").disabled`)
	p.WaitText(".tap-word", "You can tap once the station answers again")
	p.Shot("lost-phone-light")
	p.Axe("lost")
	p.Fits("lost")
	f.mu.Lock()
	f.down = false
	stage(f.pot(), "stirring")
	f.mu.Unlock()
	p.WaitText(".stage", "Stirring")
	p.Wait("the strip to go", `!document.querySelector("#strips").innerText.includes("Nothing heard")`)
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.taps) != 0 {
		t.Errorf("taps were queued: %v", f.taps)
	}
}

// A cue is seen, in the title too, and heard after the first touch; it is
// acknowledged once for all pages.
func TestCueIsSeenAndHeard(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "window")
	p := b.Page(t, Phone, "light", true)
	p.Go(url + "/")
	p.WaitText("#strips", "sound needs one touch")
	p.Shot("first-visit-phone-light")
	p.Axe("first visit")
	p.Click("#strips button")
	p.Wait("sound to be on", `document.documentElement.dataset.audio === "running"`)
	var before int
	p.Eval(`Number(document.documentElement.dataset.sounded || 0)`, &before)
	f.notice(pourCue())
	p.WaitText(".next", "Pour now")
	p.Wait("the cue to sound", fmt.Sprintf(`document.documentElement.dataset.lastSound === "cue" && Number(document.documentElement.dataset.sounded) > %d`, before))
	p.Wait("the cue in the title", `document.title.startsWith("Pour now")`)
	p.WaitText("#say", "Pour now")
	p.Click(".cue-ack")
	p.Wait("the cue to be acknowledged", `!document.querySelector(".cue-ack") && document.querySelector(".strip.cue")`)
	p.NoErrors()
}

// An alarm fills the screen, rings until it is acknowledged, says what to do,
// and Escape does not put it away.
func TestAlarmFillsTheScreen(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "scent")
	p, other := b.Page(t, Phone, "light", true), b.Page(t, Laptop, "dark", true)
	for _, x := range []*Page{p, other} {
		x.BeforeLoad(quiet)
		x.Go(url + "/")
		x.WaitText(".stage", "Ready for scent")
	}
	f.notice(flashAlarm)
	for _, x := range []*Page{p, other} {
		x.WaitText(".alarm[open]", "TOO HOT")
		x.WaitText(".alarm[open]", "Never put water on hot wax")
	}
	p.Wait("the alarm in the title", `document.title.startsWith("ALARM:")`)
	p.Wait("the alarm's sound to be asked for", `document.documentElement.dataset.lastSound === "alarm"`)
	var box []float64
	p.Eval(`(() => { const r = document.querySelector("dialog.alarm").getBoundingClientRect(); return [r.x, r.y, r.width - innerWidth, r.height - innerHeight] })()`, &box)
	for i, v := range box {
		if v < -0.5 || v > 0.5 {
			t.Errorf("the alarm leaves the screen uncovered: edge %d is off by %v px", i, v)
		}
	}
	p.Eval(`(() => { const b = document.querySelector(".ack"), r = b.getBoundingClientRect(); if (r.bottom > innerHeight || r.height < 72) throw new Error("acknowledge button at " + r.bottom + ", " + r.height + " high"); return document.activeElement === b || (() => { throw new Error("focus is on " + document.activeElement.outerHTML.slice(0, 80)) })(); })()`, nil)
	p.Eval(`document.querySelector("dialog.alarm").dispatchEvent(new Event("cancel", {cancelable: true}))`, nil)
	p.Wait("the alarm to stay", `document.querySelector(".alarm[open]")`)
	p.Wait("the guard against a stray tap to pass", fmt.Sprintf(`(window.__t ??= performance.now()) && performance.now() - window.__t > %d`, 800))
	p.Click(".alarm .ack")
	for _, x := range []*Page{p, other} {
		x.Wait("the alarm to go", `!document.querySelector(".alarm[open]")`)
		x.WaitText(".strip.alarm", "acknowledged")
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if last := f.calls[len(f.calls)-1]; !strings.HasSuffix(last, "/notices/flash-margin/acknowledge") {
		t.Errorf("the last call is %q", last)
	}
}

// A missed message makes the page ask for everything again.
func TestGapIsMended(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "melting")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".stage", "Melting")
	f.mu.Lock()
	f.seq += 5 // five messages that never came
	f.snap["pots"].([]obj)[0]["name"] = "Another jug"
	f.mu.Unlock()
	f.send(obj{"type": "alive"})
	p.WaitText(".pot-name", "Another jug")
}

// A yes to "Jug out?" goes to the station.
func TestAsked(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "asked")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".ask-strip", "Jug out at")
	p.Click(".ask-strip .strong")
	p.Wait("the question to go", `!document.querySelector(".ask-strip")`)
	f.mu.Lock()
	defer f.mu.Unlock()
	if last := f.calls[len(f.calls)-1]; last != "POST /pots/pot/events/e-out/confirm" {
		t.Errorf("the last call is %q", last)
	}
}

// From counts to what to weigh, to a started batch.
func TestSheetToStart(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "idle")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".next", "No batch in this pot")
	p.Click(`[data-tap="start"]`)
	p.Click(".stepper button:last-of-type")
	p.WaitText(".paper", "1440")
	count := `document.querySelector(".stepper input").value`
	p.Click(`[data-key="sheet.double"]`)
	p.Wait("twice as many", count+` === "2"`)
	p.Click(`[data-key="sheet.half"]`)
	p.Wait("half as many", count+` === "1"`)
	p.WaitText(".paper", "1440")
	p.Shot("sheet-done-phone-light")
	p.Axe("sheet worked out")
	p.Targets("sheet worked out")
	p.Fits("sheet worked out")
	p.Click(".start-go")
	p.Wait("the pot", `location.hash === "#/" && document.querySelector(".temp")`)
	p.WaitText("#toasts", "Started")
	f.mu.Lock()
	defer f.mu.Unlock()
	if last := f.calls[len(f.calls)-1]; last != "POST /pots/pot/start" {
		t.Errorf("the last call is %q", last)
	}
}

// A thermometer is calibrated from the page: told how, watched until it holds
// still, and kept by the maker's word alone.
func TestCalibrate(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "idle")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/#/setup")
	p.Click(`[data-key="cal 28-0417"]`)
	p.WaitText("dialog", "crushed ice")
	p.Eval(`[...document.querySelectorAll("dialog [type=radio]")][1].click()`, nil)
	p.WaitText("dialog", "rolling boil")
	p.Shot("calibrate-phone-light")
	p.Axe("calibrate")
	p.Targets("calibrate")
	p.Fits("calibrate")
	p.Eval(`[...document.querySelectorAll("dialog [type=radio]")][0].click()`, nil)
	p.Click("dialog .strong")
	p.WaitText(".cal-now", "Within")
	p.Wait("nothing to keep yet", `document.querySelector("dialog .strong").disabled`)
	p.Axe("calibrating")
	f.mu.Lock()
	f.rest["/probes"].(obj)["probes"].([]obj)[0]["calibration"].(obj)["taking"].(obj)["steady"] = true
	f.mu.Unlock()
	p.WaitText(".cal-now", "It holds still")
	p.Wait("it may be kept", `!document.querySelector("dialog .strong").disabled`)
	p.Click("dialog .strong")
	p.WaitText("#toasts", "Calibration kept: −0.31")
	p.Wait("the dialog to go", `!document.querySelector("dialog")`)
	p.WaitText(".probes", "ice, today, Kitchen phone")
	f.mu.Lock()
	defer f.mu.Unlock()
	var calls []string
	for _, c := range f.calls {
		if strings.Contains(c, "/probes/") {
			calls = append(calls, c)
		}
	}
	if want := []string{"POST /probes/28-0417/calibration", "POST /probes/28-0417/calibration/keep"}; !slices.Equal(calls, want) {
		t.Errorf("calls %q, want %q", calls, want)
	}
}

// What happened is corrected on the page, and what stood there before stays to
// be seen.
func TestCorrectionIsShown(t *testing.T) {
	b := shared(t)
	_, url := serve(t, "scent")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.Click(`[data-tap="scent-added"]`)
	p.WaitText(".stage", "Stirring")
	p.Eval(`location.hash = "#/curve"`, nil)
	p.WaitText(".curve-events", "Scent in")
	p.Wait("the curve to stand", `document.querySelector(".u-over") && document.querySelector(".curve-key li")`)
	p.Click(".curve-events li button")
	p.WaitText("dialog", "Correct: Scent in")
	p.Eval(`document.querySelector("dialog input[inputmode=decimal]").value = "73.5"`, nil)
	p.Axe("correct an event")
	p.Targets("correct an event")
	p.Click("dialog .strong")
	p.WaitText(".curve-events", "73.5")
	p.WaitText(".curve-events", "before")
	p.WaitText(".curve-events", "Kitchen phone")
	p.Shot("corrected-phone-light")
	p.Axe("a corrected event")
	p.Fits("a corrected event")
}

// The browser's back button goes from view to view, and an address opens a view.
func TestBackButton(t *testing.T) {
	b := shared(t)
	_, url := serve(t, "cooling")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/#/shelf")
	p.WaitText("h1", "Shelf")
	p.Click(`.bar nav [data-key="nav.records"]`)
	p.WaitText("h1", "Records")
	p.Wait("the focus in the new view", `document.activeElement.id === "main"`)
	p.Eval(`history.back()`, nil)
	p.WaitText("h1", "Shelf")
}

// The units of this device, and its theme, are kept over a reload.
func TestPreferences(t *testing.T) {
	b := shared(t)
	_, url := serve(t, "melting")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/#/setup")
	p.Click(`[data-key="temp F"]`)
	p.Click(`[data-key="theme dark"]`)
	p.Go(url + "/")
	p.Eval(`location.reload()`, nil)
	p.WaitText(".temp", "°F")
	p.Wait("146.1 °F for 63.4 °C", `document.querySelector(".temp").innerText.replace(/\s/g, "") === "146°F.1"`)
	p.Wait("the dark theme", `document.documentElement.dataset.theme === "dark"`)
}

// The page works with the keyboard alone: every view can be reached and the
// likeliest tap be made.
func TestKeyboardAlone(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "scent")
	p := b.Page(t, Laptop, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".stage", "Ready for scent")
	p.Wait("the buttons to be a while old", `performance.now() > 1500`)
	p.keys("\t", "\r") // the skip link
	p.Wait("the focus in the pot", `document.activeElement.id === "main"`)
	p.keys("\t")
	p.Wait("the focus on the tap", `document.activeElement.dataset.tap === "scent-added"`)
	var ring string
	p.Eval(`getComputedStyle(document.activeElement).outlineStyle + getComputedStyle(document.activeElement).outlineWidth`, &ring)
	if ring != "solid3px" {
		t.Errorf("the focus ring is %q, want solid3px", ring)
	}
	p.keys("\r")
	p.WaitText(".stage", "Stirring")
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.taps) != 1 {
		t.Errorf("%d taps came, want 1", len(f.taps))
	}
}

// A batch goes from its start to the last jar by Tab, arrows and Enter alone.
func TestStartToPourByKeyboard(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "idle")
	p := b.Page(t, Laptop, "light", true)
	p.BeforeLoad(quiet + `window.skip = 0; { const now = performance.now.bind(performance); performance.now = () => now() + skip; }`)
	p.Go(url + "/")
	p.WaitText(".tap-first", "Start a batch")
	// to moves the focus on until it is on what the selector tells.
	to := func(selector string) {
		t.Helper()
		p.Wait(selector, fmt.Sprintf(`document.querySelector(%q) && !document.querySelector(%q).disabled`, selector, selector))
		for range 80 {
			var there, seen bool
			p.Eval(fmt.Sprintf(`document.activeElement.matches(%q)`, selector), &there)
			if there {
				p.Eval(`(() => { const r = document.activeElement.getBoundingClientRect(); return r.bottom > 0 && r.top < innerHeight && document.activeElement.matches(":focus-visible"); })()`, &seen)
				if !seen {
					t.Errorf("the focus on %s can't be seen", selector)
				}
				return
			}
			p.keys("\t")
		}
		t.Fatalf("Tab never comes to %s", selector)
	}
	rest := func() { // the guard against double taps goes by
		t.Helper()
		p.Wait("the last tap to be answered", `!document.querySelector(".taps button:disabled")`)
		p.Eval(`skip += 800`, nil)
	}
	moved := func(next, words string) {
		t.Helper()
		f.mu.Lock()
		f.changeLocked(func(pot obj) { stage(pot, next) })
		f.mu.Unlock()
		p.WaitText(".stage", words)
	}
	rest()
	to(`[data-tap="start"]`)
	p.keys("\r")
	p.Wait("the sheet", `location.hash.startsWith("#/sheet") && document.querySelector(".stepper")`)
	to(`.stepper .tap:last-child`)
	p.keys("\r", "\r")
	to(`.start-go`)
	p.keys("\r")
	p.WaitText(".stage", "Melting")
	moved("scent", "Ready for scent")
	for _, tap := range []struct{ kind, stage, then string }{
		{"scent-added", "Stirring", ""}, {"stirred", "Cooling", "window"}, {"pour-start", "Pouring", ""}, {"poured", "Setting", ""},
	} {
		rest()
		to(fmt.Sprintf(`[data-tap=%q]`, tap.kind))
		p.keys("\r")
		p.WaitText(".stage", tap.stage)
		if tap.then != "" {
			moved(tap.then, "Pour window open")
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.taps) != 4 {
		t.Errorf("%d taps came, want 4: %v", len(f.taps), f.taps)
	}
}

// Nothing is cut off on a screen 320 px wide (WCAG 2.2, 1.4.10), nor with text
// twice as large on a phone (1.4.4); the row of views may be moved sideways.
func TestReflow(t *testing.T) {
	b := shared(t)
	for _, c := range []struct {
		size Size
		text int // percent
	}{{Size{"narrow", 320, 568}, 100}, {Phone, 200}} {
		if !Required() && c.text == 100 {
			continue // the larger text asks for more
		}
		tab := b.Page(t, c.size, "light", true)
		tab.BeforeLoad(quiet + fmt.Sprintf(`addEventListener("DOMContentLoaded", () => { document.documentElement.style.fontSize = "%d%%"; });`, c.text))
		for _, v := range []struct{ name, scene, hash, ready string }{
			{"melting", "melting", "", ".temp"}, {"cue", "cue", "", ".cue-ack"}, {"asked", "asked", "", ".ask-strip"}, {"suspect", "suspect", "", ".strip.alarm"},
			{"long", "long", "", ".temp"}, {"two", "two", "", ".temp"}, {"curve", "cooling", "#/curve", ".u-over"}, {"sheet", "idle", "#/sheet", ".stepper"},
			{"recipe", "idle", "#/recipe/harbour-fog", ".recipe .field"}, {"shelf", "idle", "#/shelf", ".shelf-row"}, {"records", "idle", "#/records", ".records li"},
			{"record", "idle", "#/records/b-0039", ".u-over"}, {"setup", "idle", "#/setup", ".probes li"}, {"pair", "idle", "pair", "#code"},
		} {
			name := fmt.Sprintf("%s-%s-%d", v.name, c.size.Name, c.text)
			t.Run(name, func(t *testing.T) {
				_, url := serve(t, v.scene)
				p := tab.In(t)
				p.Go(url + "/" + v.hash)
				p.Wait(v.ready, fmt.Sprintf("document.querySelector(%q)", v.ready))
				if v.hash != "pair" {
					p.Wait("the page", settled)
				}
				p.Fits(name)
				var cut []string
				p.Eval(`[...document.querySelectorAll("body *")].filter(e => { const r = e.getBoundingClientRect(); return r.width > 0 && r.right > document.documentElement.clientWidth + 1 && !e.closest(".scroll, svg, .quiet, .u-wrap, .bar nav, [hidden]"); }).slice(0, 5).map(e => e.tagName + "." + e.className)`, &cut)
				if len(cut) > 0 {
					t.Errorf("cut off at the right: %q", cut)
				}
				p.Shot(name)
				p.Go("about:blank")
			})
		}
	}
}

// A phone that is turned upright again takes the curve of a record with it.
func TestTurnedPhone(t *testing.T) {
	b := shared(t)
	_, url := serve(t, "idle")
	p := b.Page(t, Size{"lying", 844, 390}, "light", true)
	p.BeforeLoad(quiet)
	for _, hash := range []string{"#/records/b-0039", "#/curve"} {
		p.Turn(Size{"lying", 844, 390})
		p.Go(url + "/" + hash)
		p.Wait("the curve", `document.querySelector(".u-over")`)
		p.Turn(Phone)
		// Not innerWidth: it grows with a page that does not fit.
		p.Wait("a curve and a page as wide as the phone", fmt.Sprintf(`document.querySelector(".chart canvas").getBoundingClientRect().right <= %d && document.documentElement.scrollWidth <= %[1]d`, Phone.Width))
	}
}

// The curve is read off under the pointer and by keys, and looked at closer by
// wheel, pinch and buttons.
func TestCurveIsReadOff(t *testing.T) {
	b := shared(t)
	_, url := serve(t, "cooling")
	p := b.Page(t, Laptop, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/#/curve")
	p.Wait("the curve", `document.querySelector(".u-over")`)
	fire := func(kind string, x float64, more string) {
		t.Helper()
		p.Eval(fmt.Sprintf(`(() => { const o = document.querySelector(".u-over"), r = o.getBoundingClientRect();
			o.setPointerCapture = () => {};
			o.dispatchEvent(new %s("%s", {bubbles: true, cancelable: true, clientX: r.left + %v * r.width, clientY: r.top + 50, %s})) })()`,
			map[bool]string{true: "WheelEvent", false: "PointerEvent"}[kind == "wheel"], kind, x, more), nil)
	}
	fire("pointermove", 0.3, `pointerType: "mouse"`)
	p.Wait("a time and a temperature", `/\d:\d\d:\d\d.+\d.°C/.test(document.querySelector(".read").textContent)`)
	fire("pointermove", 0.95, `pointerType: "mouse"`)
	p.Wait("the forecast with its interval", `/about .+ to /.test(document.querySelector(".read").textContent)`)
	p.Eval(`document.querySelector(".chart").focus()`, nil)
	before := p.Text(".read")
	p.keys("\u0302") // left arrow
	p.Wait("the reading line to move", fmt.Sprintf("document.querySelector('.read').textContent !== %q", before))

	// Two fingers apart: the same place on the screen must now read a narrower time.
	at := func(x float64) (sec float64) {
		t.Helper()
		fire("pointermove", x, `pointerType: "mouse"`)
		p.Eval(`new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))`, nil)
		p.Eval(`(() => { const m = document.querySelector(".read").textContent.match(/(\d+):(\d+):(\d+)/); return m ? m[1] * 3600 + m[2] * 60 + +m[3] : -1 })()`, &sec)
		return sec
	}
	wide := at(0.6) - at(0.2)
	fire("pointerdown", 0.4, `pointerType: "touch", pointerId: 2`)
	fire("pointerdown", 0.5, `pointerType: "touch", pointerId: 3`)
	fire("pointermove", 0.2, `pointerType: "touch", pointerId: 2`)
	fire("pointermove", 0.7, `pointerType: "touch", pointerId: 3`)
	fire("pointerup", 0.2, `pointerType: "touch", pointerId: 2`)
	fire("pointerup", 0.7, `pointerType: "touch", pointerId: 3`)
	p.Eval(`new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(true))))`, nil)
	if near := at(0.6) - at(0.2); near <= 0 || near > wide*0.6 {
		t.Errorf("after the pinch the same stretch of screen is %v s, was %v s", near, wide)
	}
	p.Click(".curve-tools button")
	p.Eval(`new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(true))))`, nil)
	if all := at(0.6) - at(0.2); all < wide*0.95 {
		t.Errorf("the whole batch shows %v s on the same stretch, was %v s", all, wide)
	}
	p.NoErrors()
}

// Installed, the page opens while the station is away, and shows no old
// temperature as if it were one of now.
func TestOpensWithoutStation(t *testing.T) {
	b := shared(t)
	f, url := serve(t, "melting")
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(quiet)
	p.Go(url + "/")
	p.WaitText(".temp", "63")
	var keep bool
	for i := 0; !keep; i++ { // the worker is told a moment after the page has loaded
		if i == 150 {
			t.Fatal("the worker did not keep the page's files")
		}
		p.Eval(`new Promise(r => setTimeout(r, 200)).then(() => caches.open("meltstation-page")).then(c => c.keys()).then(k => {
			const kept = new Set(k.map(r => new URL(r.url).pathname));
			const used = performance.getEntriesByType("resource").map(e => new URL(e.name)).filter(u => u.origin === location.origin).map(u => u.pathname);
			return kept.has("/") && used.includes("/js/app.js") && used.filter(u => !u.startsWith("/api/") && u !== "/sw.js").every(u => kept.has(u));
		})`, &keep)
	}
	var kept int
	p.Eval(`caches.open("meltstation-page").then(c => c.keys()).then(k => k.filter(r => new URL(r.url).pathname.startsWith("/api/")).length)`, &kept)
	if kept != 0 {
		t.Errorf("%d answers of the station are kept, want none", kept)
	}
	f.cut(true)
	p.Go(url + "/")
	p.WaitText("#strips", "The station does not answer yet")
	if s := p.Text("main"); strings.Contains(s, "63") {
		t.Errorf("a temperature is shown without a station:\n%s", s)
	}
	f.mu.Lock()
	f.down = false
	f.mu.Unlock()
	p.WaitText(".temp", "63")
}
