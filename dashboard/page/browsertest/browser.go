// Package browsertest opens the page in a real Chromium, for tests of the page
// and of the whole station.
//
// It needs a Chromium or Chrome on the machine. Without one its tests skip,
// unless MELTSTATION_BROWSER=require. Other settings, all environment variables:
//
//	MELTSTATION_BROWSER  "require": no skipping, and every view in every size and theme
//	MELTSTATION_AXE      path of axe.min.js (npm axe-core, any 4.x): accessibility checks;
//	                     without it they are left out, which "require" does not allow
//	MELTSTATION_SHOTS    directory that screenshots are written to
package browsertest

import (
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// patience is how long anything on the page may take before a test gives up.
// Pages answer within milliseconds; a loaded machine may need longer.
const patience = 30 * time.Second

// Required reports whether browser tests must not be skipped.
func Required() bool { return os.Getenv("MELTSTATION_BROWSER") == "require" }

// Browser is one running Chromium with a profile of its own.
type Browser struct {
	ctx context.Context
}

// Open starts a Chromium, which ends with the test. It skips the test when there
// is none, or fails it when one is required.
func Open(t testing.TB, settings ...Setting) *Browser {
	t.Helper()
	path := find()
	if path == "" {
		if Required() {
			t.Fatal("MELTSTATION_BROWSER=require, but there is no chromium, chromium-browser or google-chrome in PATH")
		}
		t.Skip("no chromium in PATH")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("hide-scrollbars", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("autoplay-policy", "user-gesture-required"), // as phones have it
		chromedp.UserDataDir(t.TempDir()),
	)
	opts = append(opts, settings...)
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(func() { end(); stop() })
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("starting %s: %v", path, err)
	}
	return &Browser{ctx: ctx}
}

// Setting is how a browser is to be opened.
type Setting = chromedp.ExecAllocatorOption

// Trusting takes pages over TLS to be secure when their chain holds the
// certificate, as where a maker has put a station's root on the phone.
func Trusting(root *x509.Certificate) Setting {
	sum := sha256.Sum256(root.RawSubjectPublicKeyInfo)
	return chromedp.Flag("ignore-certificate-errors-spki-list", base64.StdEncoding.EncodeToString(sum[:]))
}

// Resolving finds a host's name at an address, as the network's own names are found.
func Resolving(name, address string) Setting {
	if strings.Contains(address, ":") {
		address = "[" + address + "]"
	}
	return chromedp.Flag("host-resolver-rules", "MAP "+name+" "+address)
}

func find() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable"} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}

// Page is one tab. Its methods fail the test when something does not come true.
type Page struct {
	t   testing.TB
	ctx context.Context

	faults *faults
}

// faults are those of the page itself: exceptions, refused scripts, missing files.
type faults struct {
	mu   sync.Mutex
	list []string
}

func (f *faults) add(s string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.list = append(f.list, s)
}

// In is the same tab for another test, with a clean slate.
func (p *Page) In(t testing.TB) *Page {
	p.faults.mu.Lock()
	defer p.faults.mu.Unlock()
	p.faults.list = nil
	return &Page{t: t, ctx: p.ctx, faults: p.faults}
}

// Size of a screen in CSS pixels.
type Size struct {
	Name          string
	Width, Height int64
}

// The sizes that pages are looked at in.
var (
	Phone  = Size{"phone", 390, 844}
	Lying  = Size{"lying", 844, 390} // a phone on its side
	Tablet = Size{"tablet", 820, 1180}
	Laptop = Size{"laptop", 1440, 900}
)

// Page opens a tab of a given size and theme ("light" or "dark"). With fresh it
// shares no cookies or storage with other tabs, as another device.
func (b *Browser) Page(t testing.TB, size Size, theme string, fresh bool) *Page {
	t.Helper()
	var opts []chromedp.ContextOption
	if fresh {
		opts = append(opts, chromedp.WithNewBrowserContext())
	}
	ctx, end := chromedp.NewContext(b.ctx, opts...)
	t.Cleanup(end)
	p := &Page{t: t, ctx: ctx, faults: new(faults)}
	err := chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			p.faults.add(fmt.Sprintf("exception: %s %s:%d %+v", e.ExceptionDetails.Text, e.ExceptionDetails.URL, e.ExceptionDetails.LineNumber+1, e.ExceptionDetails.Exception))
		case *log.EventEntryAdded:
			if e.Entry.Level == "error" && !strings.Contains(e.Entry.URL, "/api/") {
				p.faults.add(e.Entry.Text + ": " + e.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatalf("opening a tab: %v", err)
	}
	call(p, log.Enable, cdp.Empty{})
	p.Turn(size)
	call(p, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: size.Width < 1000})
	call(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: theme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	return p
}

func call[P, R any](p *Page, cmd cdp.Command[P, R], params P) {
	p.t.Helper()
	if _, err := chromedp.Call(p.ctx, cmd, params); err != nil {
		p.t.Fatalf("setting the browser up: %v", err)
	}
}

func (p *Page) do(what string, actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	if err := chromedp.Do(ctx, actions...); err != nil {
		p.t.Fatalf("%s: %v", what, err)
	}
}

// Turn gives the page another size, as a phone does that is turned over.
func (p *Page) Turn(size Size) {
	p.t.Helper()
	call(p, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: size.Width, Height: size.Height, DeviceScaleFactor: 1, Mobile: size.Width < 1000})
}

// BeforeLoad runs a script in every document before the document's own.
func (p *Page) BeforeLoad(script string) {
	p.t.Helper()
	call(p, cdpage.AddScriptToEvaluateOnNewDocument, cdpage.AddScriptToEvaluateOnNewDocumentParams{Source: script})
}

// Go opens an address.
func (p *Page) Go(url string) {
	p.t.Helper()
	p.do("opening "+url, chromedp.Navigate(url))
}

// Eval runs a script, waits for its promise, and stores its value, unless value is nil.
func (p *Page) Eval(script string, value any) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	raw, err := chromedp.Run(ctx, chromedp.Evaluate[[]byte](script, chromedp.EvalAwaitPromise))
	if err != nil && !errors.Is(err, chromedp.ErrJSUndefined) && !errors.Is(err, chromedp.ErrJSNull) {
		p.t.Fatalf("%s: %v", script, err)
	}
	if value == nil {
		return
	}
	if err := json.Unmarshal(raw, value); err != nil {
		p.t.Fatalf("%s gave %s: %v", script, raw, err)
	}
}

// Wait waits until a script's value is true.
func (p *Page) Wait(what, script string) { p.t.Helper(); p.WaitFor(patience, what, script) }

// WaitFor is Wait with a limit of its own.
func (p *Page) WaitFor(limit time.Duration, what, script string) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, limit)
	defer stop()
	var err error
	for ctx.Err() == nil { // a poll ends when the page goes to another document
		_, err = chromedp.Run(ctx, chromedp.Poll[bool]("!!("+script+")", chromedp.WithPollingInterval(40*time.Millisecond), chromedp.WithPollingTimeout(0)))
		if err == nil {
			return
		}
	}
	var shown string
	p.Eval(`document.title + "\n" + document.body.innerText.slice(0, 1500)`, &shown)
	p.t.Fatalf("%s did not come about (%v); the page shows:\n%s\nerrors: %v", what, err, shown, p.Errors())
}

// WaitText waits until an element holds the words.
func (p *Page) WaitText(selector, words string) {
	p.t.Helper()
	p.Wait(fmt.Sprintf("%q in %s", words, selector), fmt.Sprintf("document.querySelector(%q)?.innerText.includes(%q)", selector, words))
}

// Text returns an element's text, "" when there is none.
func (p *Page) Text(selector string) string {
	p.t.Helper()
	var s string
	p.Eval(fmt.Sprintf("document.querySelector(%q)?.innerText ?? ''", selector), &s)
	return s
}

// Click clicks as a finger would: by the position of the element on the screen,
// so that something lying over it is noticed.
func (p *Page) Click(selector string) {
	p.t.Helper()
	p.Wait(selector+" to be clickable", fmt.Sprintf("(() => { const e = document.querySelector(%q); return e && !e.disabled && e.getBoundingClientRect().height > 0 })()", selector))
	var at struct{ X, Y float64 }
	p.Eval(fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e.scrollIntoView({block: "center", inline: "center"});
		const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2;
		const top = document.elementFromPoint(x, y);
		if (!top || !(e.contains(top) || top.contains(e))) throw new Error("covered by " + (top ? top.outerHTML.slice(0, 200) : "nothing"));
		return {X: x, Y: y};
	})()`, selector), &at)
	p.do("clicking "+selector, chromedp.MouseClickXY(at.X, at.Y))
}

// Errors returns what went wrong in the page so far: uncaught exceptions,
// resources that failed to load, breaches of the content security policy.
func (p *Page) Errors() []string {
	p.faults.mu.Lock()
	defer p.faults.mu.Unlock()
	return append([]string(nil), p.faults.list...)
}

// NoErrors fails the test if the page had any of its own.
func (p *Page) NoErrors() {
	p.t.Helper()
	if e := p.Errors(); len(e) > 0 {
		p.t.Errorf("the page had errors:\n%s", strings.Join(e, "\n"))
	}
}

// Fits fails the test when the page can be scrolled sideways. A phone zooms out from
// such a page, so that innerWidth grows with it; clientWidth does not.
func (p *Page) Fits(name string) {
	p.t.Helper()
	var w [2]float64
	p.Eval(`[document.documentElement.scrollWidth, document.documentElement.clientWidth]`, &w)
	if w[0] > w[1] {
		var who string
		p.Eval(`[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1 && !e.closest(".scroll")).slice(0, 5).map(e => e.tagName + "." + e.className).join(", ")`, &who)
		p.t.Errorf("%s: the page is %v px wide on a screen of %v px: %s", name, w[0], w[1], who)
	}
}

// Targets fails the test for a button, link or field smaller than 24 px either
// way (WCAG 2.2, 2.5.8), or a button lower than 44 px, which wet hands need.
// Links inside a sentence are exempt, as there.
func (p *Page) Targets(name string) {
	p.t.Helper()
	var small []string
	p.Eval(`[...document.querySelectorAll("a[href], button, select, input, textarea, summary")].filter(e => {
		const box = e.closest("label.check, .segment") || e;
		const r = box.getBoundingClientRect();
		if (r.width === 0 || r.height === 0 || e.closest("[hidden], .quiet, .skip") || getComputedStyle(e).visibility === "hidden") return false;
		const least = e.tagName === "A" && !e.classList.contains("button") ? 24 : 43.5;
		return r.height < least || r.width < 24;
	}).map(e => e.outerHTML.slice(0, 120) + " " + Math.round(e.getBoundingClientRect().width) + "×" + Math.round(e.getBoundingClientRect().height))`, &small)
	for _, s := range small {
		p.t.Errorf("%s: too small to hit: %s", name, s)
	}
}

// Axe runs the accessibility rules of WCAG 2.2 A and AA, and axe's best
// practices, over what is shown, and fails the test for each breach.
func (p *Page) Axe(name string) {
	p.t.Helper()
	path := os.Getenv("MELTSTATION_AXE")
	if path == "" {
		if Required() {
			p.t.Fatal("MELTSTATION_BROWSER=require, but MELTSTATION_AXE names no axe.min.js")
		}
		return
	}
	src, err := os.ReadFile(path)
	if err != nil {
		p.t.Fatalf("reading axe: %v", err)
	}
	p.do("loading axe", chromedp.Evaluate[chromedp.Void](string(src)))
	var breaches []string
	p.Eval(`axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r =>
		r.violations.map(v => v.id + ": " + v.help + "\n    " + v.nodes.slice(0, 4).map(n => n.target.join(" ") + "  " + n.failureSummary.replace(/\s+/g, " ")).join("\n    ")))`, &breaches)
	for _, b := range breaches {
		p.t.Errorf("%s: %s", name, b)
	}
}

// Installable returns why the browser would not offer to install the page; none
// when it would.
func (p *Page) Installable() []string {
	p.t.Helper()
	got, err := chromedp.Call(p.ctx, cdpage.GetInstallabilityErrors, cdp.Empty{})
	if err != nil {
		p.t.Fatalf("asking whether the page can be installed: %v", err)
	}
	var why []string
	for _, e := range got.InstallabilityErrors {
		why = append(why, e.ErrorID)
	}
	return why
}

// Allow answers the browser's question whether the page may do something
// ("notifications"), for every page of the tab's device.
func (p *Page) Allow(what string) {
	p.t.Helper()
	if _, err := chromedp.CallBrowser(p.ctx, cdpbrowser.SetPermission, cdpbrowser.SetPermissionParams{
		Permission: &cdpbrowser.PermissionDescriptor{Name: what}, Setting: cdpbrowser.PermissionSettingGranted}); err != nil {
		p.t.Fatalf("allowing %s: %v", what, err)
	}
}

// Type puts words into a field, as a keyboard does.
func (p *Page) Type(selector, words string) {
	p.t.Helper()
	p.Click(selector)
	p.Eval(fmt.Sprintf("document.querySelector(%q).select?.()", selector), nil)
	p.keys(strings.Split(words, "")...)
}

// Shot writes a picture of the screen to MELTSTATION_SHOTS, when that is set.
func (p *Page) Shot(name string) {
	p.t.Helper()
	dir := os.Getenv("MELTSTATION_SHOTS")
	if dir == "" {
		return
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		p.t.Fatalf("screenshots: %v", err)
	}
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		p.t.Fatalf("taking a picture: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		p.t.Fatalf("screenshots: %v", err)
	}
}

func (p *Page) keys(keys ...string) {
	p.t.Helper()
	for _, k := range keys {
		p.do("pressing a key", chromedp.KeyEvent(k))
	}
}
