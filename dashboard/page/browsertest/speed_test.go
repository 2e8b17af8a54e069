package browsertest

import (
	"math"
	"net/http/httptest"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"

	"example.org/meltstation/dashboard/page"
)

// A phone-class profile, as web performance tools commonly take it: a processor
// four times slower than this one, 150 ms there and back, 1.6 Mbit/s down.
func slowPhone(p *Page) {
	call(p, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	call(p, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
		MatchedNetworkConditions: []*network.Conditions{{Latency: 150, DownloadThroughput: 1.6e6 / 8, UploadThroughput: 750e3 / 8}}})
}

// BenchmarkFirstPaint measures a first visit (nothing cached) on that profile:
// to the first contentful paint, and to the temperature standing on the screen.
func BenchmarkFirstPaint(b *testing.B) {
	br := Open(b)
	f := newFake(page.FS(), "melting")
	srv := httptest.NewServer(f)
	defer func() { f.cut(true); srv.CloseClientConnections(); srv.Close() }()
	var paint, temp float64
	for b.Loop() {
		p := br.Page(b, Phone, "light", true)
		p.BeforeLoad(quiet + `new MutationObserver((_, o) => { if (/\d/.test(document.querySelector(".whole")?.textContent)) { window.tempAt = performance.now(); o.disconnect(); } }).observe(document, {subtree: true, childList: true, characterData: true});`)
		call(p, network.Enable, network.EnableParams{})
		slowPhone(p)
		p.Go(srv.URL + "/")
		p.Wait("the temperature", `window.tempAt`)
		var got [2]float64
		p.Eval(`[performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? -1, window.tempAt]`, &got)
		paint += got[0]
		temp += got[1]
	}
	b.ReportMetric(paint/float64(b.N), "ms-first-paint")
	b.ReportMetric(temp/float64(b.N), "ms-temperature")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkCurve measures the frames of a 12 h curve at 1 Hz while it is zoomed
// and moved for three seconds, on a processor four times slower than this one.
func BenchmarkCurve(b *testing.B) {
	br := Open(b)
	f := newFake(page.FS(), "cooling")
	const n = 12 * 3600
	t, c := make([]float64, n), make([]float64, n)
	for i := range n {
		t[i] = float64(i)
		c[i] = 60 + 12*math.Sin(float64(i)/3000) + 0.06*math.Sin(float64(i)*1.7)
	}
	series := f.curve["series"].([]obj)[0]
	series["t"], series["c"], series["lo"], series["hi"] = t, c, c, c
	srv := httptest.NewServer(f)
	defer func() { f.cut(true); srv.CloseClientConnections(); srv.Close() }()
	var fps, p95, work float64
	for b.Loop() {
		p := br.Page(b, Phone, "light", true)
		p.BeforeLoad(quiet)
		p.Go(srv.URL + "/#/curve")
		p.Wait("the curve", `document.querySelector(".u-over")`)
		// Time on the page's own thread, which a busy machine does not lengthen.
		call(p, performance.Enable, performance.EnableParams{TimeDomain: "threadTicks"})
		worked := -taskSeconds(p)
		var got struct{ Frames, Span, P95 float64 }
		p.Eval(moving, &got)
		worked += taskSeconds(p)
		work += worked / got.Frames * 1000
		call(p, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
		p.Eval(moving, &got)
		fps += got.Frames / got.Span
		p95 += got.P95
	}
	b.ReportMetric(work/float64(b.N), "ms-thread/frame")
	b.ReportMetric(fps/float64(b.N), "frames/s-throttled")
	b.ReportMetric(p95/float64(b.N), "ms-frame-p95-throttled")
	b.ReportMetric(0, "ns/op")
}

func taskSeconds(p *Page) float64 {
	p.t.Helper()
	got, err := chromedp.Call(p.ctx, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		p.t.Fatal(err)
	}
	for _, m := range got.Metrics {
		if m.Name == "TaskDuration" {
			return m.Value
		}
	}
	p.t.Fatal("the browser measures no tasks")
	return 0
}

// moving zooms and moves the curve for three seconds, as a pinch does.
const moving = `new Promise(done => {
			const over = document.querySelector(".u-over"), r = over.getBoundingClientRect();
			const times = [];
			const start = performance.now();
			let last = start;
			const step = (now) => {
				times.push(now - last);
				last = now;
				const s = (now - start) / 1000;
				over.dispatchEvent(new WheelEvent("wheel", {cancelable: true, deltaY: Math.sin(s * 4) > 0 ? -30 : 30, clientX: r.left + r.width * (0.5 + 0.3 * Math.sin(s)), clientY: r.top + 20}));
				if (s < 3) requestAnimationFrame(step);
				else { times.sort((a, b) => a - b); done({Frames: times.length, Span: s, P95: times[Math.floor(times.length * 0.95)]}); }
			};
			requestAnimationFrame(step);
		})`
