package browsertest

import (
	"fmt"
	"slices"
	"testing"
	"time"
)

// watcher keeps what the page shows over time: stages, cues and what comes next.
const watcher = `
	localStorage.getItem("meltstation.prefs") || localStorage.setItem("meltstation.prefs", '{"sound":null,"clock":"24"}');
	window.seen = {stages: [], cues: [], next: [], alarms: []};
	const add = (list, words) => { if (words && !list.includes(words)) list.push(words); };
	addEventListener("DOMContentLoaded", () => new MutationObserver(() => {
		add(seen.stages, document.querySelector(".stage")?.textContent);
		if (document.querySelector(".cue-ack")) add(seen.cues, document.querySelector(".next-what")?.textContent);
		const next = document.querySelector('.next[data-kind="count"]');
		if (next) add(seen.next, next.querySelector(".next-what").textContent + " " + next.querySelector(".next-when").textContent);
		add(seen.alarms, document.querySelector("dialog.alarm .alarm-title")?.textContent);
	}).observe(document.body, {subtree: true, childList: true, characterData: true, attributes: true}));
`

// Batch watches a whole batch on the page of a station that is running one by
// itself at base, as the demo does, from melting to the candles setting. It
// fails when a stage is not seen, the page names no time ahead, or no cue is
// seen and heard. The station should have just begun.
func (b *Browser) Batch(t testing.TB, base string, limit time.Duration) {
	t.Helper()
	p := b.Page(t, Phone, "light", true)
	p.BeforeLoad(watcher)
	p.Go(base + "/")
	p.WaitText("#strips", "sound needs one touch")
	p.Click(`[data-strip="sound"] .strong`)
	p.Wait("sound to be on", `document.documentElement.dataset.audio === "running"`)
	end := time.Now().Add(limit)
	wait := func(what, script string) {
		t.Helper()
		p.WaitFor(max(time.Until(end), time.Second), what, script)
	}
	shot := func(name string) {
		t.Helper()
		var alarm bool
		p.Eval(`!!document.querySelector("dialog.alarm .ack:enabled")`, &alarm)
		if alarm { // the station had one of its own: someone is on it
			p.Eval(`new Promise(r => setTimeout(r, 800)).then(() => document.querySelector("dialog.alarm .ack:enabled")?.click())`, nil)
			p.Wait("the alarm to go", `!document.querySelector("dialog.alarm[open]")`)
		}
		p.Shot(name)
	}
	const counts = `document.querySelector('.next[data-kind="count"]') && document.querySelector(".stage").textContent === %q`
	wait("a time for the scent", `seen.next.some(w => w.startsWith("Scent-add")) || seen.cues.some(w => w.startsWith("Fragrance in"))`)
	wait("the wax to be warm", `parseFloat(document.querySelector(".whole").textContent) > 55 && `+fmt.Sprintf(counts, "Melting")+` || document.querySelector(".stage").textContent !== "Melting"`)
	shot("batch-heating")
	wait("a time for the pour window", `seen.next.some(w => w.startsWith("Pour")) || seen.cues.some(w => w.includes("pour in"))`)
	wait("the wax to cool", fmt.Sprintf(counts, "Cooling")+` && !document.querySelector("#toasts .toast") && seen.stages.includes("Cooling") && performance.now() - (seen.cooled ??= performance.now()) > 3000 || document.querySelector(".stage").textContent.startsWith("Pour")`)
	shot("batch-cooling")
	wait("the cue to pour", `seen.cues.some(w => /^Pour now/i.test(w))`)
	shot("batch-pour-now")
	wait("the candles to set", `seen.stages.some(w => w.startsWith("Setting"))`)
	shot("batch-setting")
	var seen struct{ Stages, Cues, Next, Alarms []string }
	p.Eval(`seen`, &seen)
	t.Logf("stages %q, cues %q, alarms %q", seen.Stages, seen.Cues, seen.Alarms)
	for _, want := range []string{"Melting", "Stirring", "Cooling", "Pour window open"} {
		if !slices.Contains(seen.Stages, want) {
			t.Errorf("the stage %q was not seen", want)
		}
	}
	var heard int
	p.Eval(`Number(document.documentElement.dataset.sounded || 0)`, &heard)
	if heard < 2 { // one of them answers the first touch
		t.Errorf("%d sounds were played, want one for each of the cues %q", heard, seen.Cues)
	}
	p.NoErrors()
}

// Views opens every view of a station and fails when one of them has an error,
// does not fit the screen, or fails an accessibility rule. Pictures are named
// after prefix.
func (b *Browser) Views(t testing.TB, base, prefix string, size Size, theme string) {
	t.Helper()
	for _, v := range []struct{ name, hash, ready string }{
		{"glance", "", ".pot"}, {"curve", "#/curve", ".curve-view"}, {"sheet", "#/sheet", "h1"}, {"shelf", "#/shelf", "h1"},
		{"records", "#/records", "h1"}, {"recipe", "#/recipe", ".recipe"}, {"setup", "#/setup", ".setup"},
	} {
		p := b.Page(t, size, theme, true)
		p.BeforeLoad(`localStorage.setItem("meltstation.prefs", '{"sound":false,"clock":"24"}')`)
		p.Go(base + "/" + v.hash)
		p.Wait(v.name, fmt.Sprintf(`document.documentElement.dataset.link === "live" && document.querySelector(%q)`, v.ready))
		var failed bool
		p.Eval(`!!document.querySelector("main > .empty button")`, &failed)
		if failed {
			t.Errorf("%s: %s", v.name, p.Text("main"))
		}
		name := fmt.Sprintf("%s-%s-%s-%s", prefix, v.name, size.Name, theme)
		p.Fits(name)
		p.Targets(name)
		p.Axe(name)
		p.Shot(name)
		p.NoErrors()
	}
}
