package record_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"example.org/meltstation/alerts/record"
)

// browser starts a Chromium that is closed with the test. Without one the test is
// skipped, unless MELTSTATION_BROWSER=require.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("short: needs a browser")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("MELTSTATION_BROWSER") == "require" {
			t.Fatal("MELTSTATION_BROWSER=require, but there is no Chromium in PATH")
		}
		t.Skip("no Chromium in PATH")
	}
	alloc, stop := chromedp.NewExecAllocator(t.Context(), append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.UserDataDir(t.TempDir()))...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	ctx, done := context.WithTimeout(ctx, 90*time.Second)
	t.Cleanup(done)
	return ctx
}

func TestTheRecordPrintsOnTwoPagesAndFitsAPhone(t *testing.T) {
	ctx := browser(t)
	r := record.Build(fog(t))
	r.Curve = []byte(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 960 560"><path d="M0 0L960 560" stroke="#000"/></svg>`)
	mux := http.NewServeMux()
	serve := func(path string, write func(w *bytes.Buffer) error) {
		mux.HandleFunc(path, func(w http.ResponseWriter, _ *http.Request) {
			var b bytes.Buffer
			if err := write(&b); err != nil {
				http.Error(w, err.Error(), 500)
				return
			}
			w.Header().Set("Content-Security-Policy", record.CSP())
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			w.Write(b.Bytes())
		})
	}
	serve("/record", func(b *bytes.Buffer) error { return r.HTML(b, nil) })
	serve("/labels", func(b *bytes.Buffer) error { return r.Labels(b, 24, nil) })
	srv := httptest.NewServer(mux)
	defer srv.Close()

	yes := true
	for _, paper := range []struct {
		name          string
		width, height float64 // inches; ISO 216 and ANSI Y14.1
	}{{"A4", 210 / 25.4, 297 / 25.4}, {"Letter", 8.5, 11}} {
		for path, most := range map[string]int{"/record": 2, "/labels": 1} {
			if err := chromedp.Do(ctx, chromedp.Navigate(srv.URL+path)); err != nil {
				t.Fatal(err)
			}
			out, err := chromedp.Call(ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: paper.width, PaperHeight: paper.height, PrintBackground: &yes, PreferCSSPageSize: &yes})
			if err != nil {
				t.Fatal(err)
			}
			pdf := out.Data
			if n := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1)); n < 1 || n > most {
				t.Errorf("%s prints on %d pages of %s, want at most %d", path, n, paper.name, most)
			}
			if dir := os.Getenv("MELTSTATION_PRINT_DIR"); dir != "" { // to look at it
				if err := os.WriteFile(fmt.Sprintf("%s%s-%s.pdf", dir, path, paper.name), pdf, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}

	if _, err := chromedp.Call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 360, Height: 740, DeviceScaleFactor: 2, Mobile: true}); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(srv.URL+"/record")); err != nil {
		t.Fatal(err)
	}
	wide, err := chromedp.Run(ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth`))
	if err != nil {
		t.Fatal(err)
	}
	drawn, err := chromedp.Run(ctx, chromedp.Evaluate[int](`document.querySelector("img.curve").naturalWidth`))
	if err != nil || drawn == 0 {
		t.Errorf("the curve is not shown under the page's policy: %d, %v", drawn, err)
	}
	ruled, err := chromedp.Run(ctx, chromedp.Evaluate[string](`getComputedStyle(document.querySelector("header")).borderTopColor`))
	if err != nil {
		t.Fatal(err)
	}
	tallest, err := chromedp.Run(ctx, chromedp.Evaluate[int](`Math.max(...[...document.querySelectorAll("td")].map(e => e.offsetHeight))`))
	if err != nil {
		t.Fatal(err)
	}
	if tallest > 160 {
		t.Errorf("on a phone a line of a table is %d pixels tall: its text is squeezed", tallest)
	}
	if wide > 360 {
		t.Errorf("on a phone of 360 pixels the record is %d wide", wide)
	}
	if ruled != "rgb(34, 65, 74)" {
		t.Errorf("the page's own style does not hold under its policy: the rule is %s", ruled)
	}
	if dir := os.Getenv("MELTSTATION_PRINT_DIR"); dir != "" {
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(dir+"/phone.png", png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
