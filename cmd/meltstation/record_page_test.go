package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/dashboard/page/browsertest"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe/trace"
)

// The maker's paperwork on the page of a running station: a lot and a count are
// put right in the record of a batch on the shelf and of a closed one, photos go
// with the notes, curves are laid over one another at heat-off, and a sheet of
// two melts is started one melt at a time.
func TestPaperworkOnThePage(t *testing.T) {
	b := browsertest.Open(t)
	keep := t.TempDir()
	data, err := os.ReadFile(shopRecipe)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(keep, "recipes"), 0o700); err != nil {
		t.Fatal(err)
	}
	data = bytes.Replace(data, []byte(`"Harbour Fog"`), []byte(`"Bell Buoy"`), 1)
	if err := os.WriteFile(filepath.Join(keep, "recipes", "bell-buoy.toml"), data, 0o600); err != nil {
		t.Fatal(err)
	}
	d, err := newDemo(demoFlags{listen: "127.0.0.1:0", lapse: 5, seed: 7, units: "C", keep: keep, noHands: true})
	if err != nil {
		t.Fatal(err)
	}
	up := make(chan app.Running, 1)
	d.ready = func(r app.Running) { up <- r }
	ctx, stop := context.WithCancel(t.Context())
	over := make(chan error, 1)
	go func() {
		over <- d.run(ctx, Streams{In: strings.NewReader(""), Out: new(bytes.Buffer), Err: new(bytes.Buffer)})
	}()
	var run app.Running
	select {
	case run = <-up:
	case err := <-over:
		t.Fatalf("the demo ended: %v", err)
	}
	defer func() {
		stop()
		if err := <-over; err != nil {
			t.Error(err)
		}
	}()

	p := b.Page(t, browsertest.Phone, "light", true)
	p.BeforeLoad(`localStorage.setItem("meltstation.prefs", '{"sound":false,"clock":"24"}')`)
	show := func(hash, ready string) {
		t.Helper()
		p.Go(run.URL + "#/" + hash)
		p.Wait(hash, fmt.Sprintf(`document.documentElement.dataset.link === "live" && document.querySelector(%q)`, ready))
	}
	click := func(words string) { // a button by what it says
		t.Helper()
		p.Wait(words, fmt.Sprintf(`(() => { const e = [...document.querySelectorAll("dialog[open] button")].find((x) => x.textContent === %q); if (e) e.dataset.now = "x"; return e })()`, words))
		p.Click(`dialog[open] button[data-now="x"]`)
	}

	fill := func(selector, words string) {
		t.Helper()
		p.Wait(selector, fmt.Sprintf("document.querySelector(%q)", selector))
		p.Eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("input")); })()`, selector, words), nil)
	}

	list, err := run.Store.Batches(ctx, trace.Query{Limit: 20})
	if err != nil {
		t.Fatal(err)
	}
	var shut, curing string
	for _, x := range list {
		switch {
		case !x.Ended.IsZero():
			shut = x.ID
		case x.PouredAt > 0:
			curing = x.ID
		}
	}
	book := records.Book{Store: run.Store}
	for where, id := range map[string]string{"on the shelf": curing, "closed": shut} {
		show("records/"+id, `[data-key="lots"]`)
		p.Click(`[data-key="lots"]`)
		fill(`dialog[open] .field:has(+ .row) input`, "W-18-09")
		click("Save")
		p.WaitText("#main", "W-18-09")
		p.Click(`[aria-label="Correct: Last container poured"]`)
		click("Count the jars")
		fill(`dialog[open] .field input`, "2")
		click("Save")
		p.Wait("what it said before", `[...document.querySelectorAll(".events .kind")].some((e) => e.innerText.startsWith("before:"))`)
		r, err := book.Record(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		if c := r.Containers[0]; c.Actual == nil || *c.Actual != 2 {
			t.Errorf("%s: %+v after the correction", where, c)
		}
		// A row of a batch that goes on is written in the background.
		deadline := time.Now().Add(10 * time.Second)
		for n := 0; n == 0 && time.Now().Before(deadline); {
			found, err := run.Store.Batches(ctx, trace.Query{Lot: "W-18-09", Text: id})
			if err != nil {
				t.Fatal(err)
			}
			if n = len(found); n == 0 {
				p.Eval(`new Promise((done) => setTimeout(done, 50))`, nil)
			}
		}
		if found, _ := run.Store.Batches(ctx, trace.Query{Lot: "W-18-09", Text: id}); len(found) != 1 {
			t.Errorf("%s: the lot of its wicks finds %d batches", where, len(found))
		}
	}

	// Photos: one that is scaled down, and a file that is none.
	p.Eval(`(async () => {
		const c = new OffscreenCanvas(2000, 1000);
		c.getContext("2d").fillRect(0, 0, 900, 900);
		const d = new DataTransfer();
		d.items.add(new File([await c.convertToBlob({ type: "image/png" })], "a.png", { type: "image/png" }));
		d.items.add(new File(["nothing"], "b.jpg", { type: "image/jpeg" }));
		const f = document.querySelector("input[type=file]");
		f.files = d.files;
		f.dispatchEvent(new Event("change"));
	})()`, nil)
	p.WaitText(".finding .err", "b.jpg is no picture")
	p.Wait("its picture", `document.querySelectorAll(".finding .photo img").length === 1`)
	p.Targets("photo in the form")
	p.Click(`.finding button[type="submit"]`)
	p.Wait("the photo in the record", `[...document.querySelectorAll(".events .photos img")].some((e) => { e.loading = "eager"; e.scrollIntoView(); return e.complete && e.naturalWidth === 1280 && e.naturalHeight === 640 })`)
	p.Fits("a record with a photo")

	show("compare?ids="+shut+","+curing, "select")
	var at string
	p.Eval(`document.querySelector("select").value`, &at)
	if at != "heat-off" {
		t.Errorf("the curves are laid at %q", at)
	}

	show("records", ".lesson select")
	p.Eval(`(() => { const s = document.querySelector(".lesson select"); s.value = "Low Tide"; s.dispatchEvent(new Event("change")); })()`, nil)
	p.Wait("the figures", `document.querySelectorAll(".lesson circle").length >= 2`)
	p.Axe("lessons")

	show("sheet?recipe=bell-buoy", ".stepper")
	for i, n := range []string{"2", "9", "7"} {
		p.Eval(fmt.Sprintf(`(() => { const e = document.querySelectorAll(".stepper input")[%d]; e.value = %q; e.dispatchEvent(new Event("input")); })()`, i, n), nil)
	}
	p.WaitText(".sheet-start", "melt 1 of 2")
	p.WaitText(".paper", "75.2\u00a0g") // as the fine scale shows it: 4.0 lb of wax at 6.25 %, 70 % of that
	p.WaitText(".paper", "3\u00a0lb 12.6\u00a0oz")
	p.Fits("a sheet of two melts")
	p.Click(".start-go")
	p.Wait("the pot", `location.hash === "#/" && document.querySelector(".temp")`)
	v := run.Station.Snapshot().Pots[0]
	if v.Batch == nil || len(v.Batch.Sheet.Melts) != 1 || v.Batch.Name != "Bell Buoy, melt 1 of 2" {
		t.Fatalf("started %+v", v.Batch)
	}
	if g := v.Batch.Sheet.FragranceGrams(); g < 107 || g > 108 {
		t.Errorf("one melt calls for %g g of fragrance, want the 107.4 g of that melt", g)
	}
	show("sheet", ".stepper")
	p.WaitText(".sheet-in", "Melt 2 of 2 of Bell Buoy is next.")
	if v.Stage != plan.StageMelting {
		t.Errorf("stage %q", v.Stage)
	}
	p.NoErrors()
}
