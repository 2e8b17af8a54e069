package browsertest

//lint:file-ignore SA1019 nhooyr.io/websocket is the module the dashboard speaks; see DEVELOPERS.md.

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"io/fs"
	"maps"
	"math"
	"mime"
	"net/http"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"nhooyr.io/websocket"
)

// obj is a JSON object.
type obj = map[string]any

// fake is a station that stands still in one scene, or moves as a test tells it.
// It speaks the wire format by hand, without the station's own types, so that a
// slip in either is noticed.
type fake struct {
	files fs.FS
	start time.Time // station time of the batch's start

	mu      sync.Mutex
	snap    obj
	seq     uint64
	clients map[chan []byte]bool
	taps    []obj           // kept taps, in order
	seen    map[string]bool // tap ids
	calls   []string        // other requests that change something
	refuse  string          // when set, the next tap is refused with this code
	curve   obj
	rest    map[string]any // answers of GET routes by path
	down    bool
	mute    bool // no "alive" messages
	still   bool // no readings but the first
	empty   bool // nothing recorded, no recipe, no probe
}

func newFake(files fs.FS, scene string) *fake {
	f := &fake{
		files: files, clients: map[chan []byte]bool{}, seen: map[string]bool{},
		start: time.Now().UTC().Add(-38 * time.Minute), rest: map[string]any{},
	}
	f.setScene(scene)
	return f
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f.mu.Lock()
	down := f.down
	f.mu.Unlock()
	if down {
		http.Error(w, "down", http.StatusServiceUnavailable)
		return
	}
	switch {
	case r.URL.Path == "/api/v1/live":
		f.live(w, r)
	case strings.HasPrefix(r.URL.Path, "/api/v1/"):
		f.api(w, r, strings.TrimPrefix(r.URL.Path, "/api/v1"))
	default:
		f.static(w, r)
	}
}

const csp = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; " +
	"font-src 'self'; connect-src 'self'; media-src 'self' blob:; manifest-src 'self'; worker-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

func (f *fake) static(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(path.Clean(r.URL.Path), "/")
	if name == "pair" {
		name = "pair.html"
	} else if path.Ext(name) == "" {
		name = "index.html"
	}
	b, err := fs.ReadFile(f.files, name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	kind := mime.TypeByExtension(path.Ext(name))
	if path.Ext(name) == ".webmanifest" {
		kind = "application/manifest+json"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Security-Policy", csp)
	w.Header().Set("Cache-Control", "no-cache")
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") { // as the station sends them
		w.Header().Set("Content-Encoding", "gzip")
		z := gzip.NewWriter(w)
		z.Write(b)
		z.Close()
		return
	}
	w.Write(b)
}

func (f *fake) live(w http.ResponseWriter, r *http.Request) {
	c, err := websocket.Accept(w, r, nil)
	if err != nil {
		return
	}
	defer c.CloseNow()
	ch := make(chan []byte, 256)
	f.mu.Lock()
	first := f.snapshotLocked()
	f.clients[ch] = true
	f.mu.Unlock()
	defer func() { f.mu.Lock(); delete(f.clients, ch); f.mu.Unlock() }()
	ctx := r.Context()
	if c.Write(ctx, websocket.MessageText, first) != nil {
		return
	}
	asked := make(chan struct{}, 1)
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		for {
			if _, _, err := c.Read(context.Background()); err != nil {
				return
			}
			select {
			case asked <- struct{}{}:
			default:
			}
		}
	}()
	alive := time.NewTicker(5 * time.Second)
	defer alive.Stop()
	if !f.still {
		go f.keepReading(gone)
	}
	for {
		var b []byte
		select {
		case <-gone:
			return
		case <-asked:
			f.mu.Lock()
			b = f.snapshotLocked()
			f.mu.Unlock()
		case <-alive.C:
			f.mu.Lock()
			if !f.mute {
				b, _ = json.Marshal(obj{"type": "alive", "seq": f.seq, "now": f.nowLocked()})
			}
			f.mu.Unlock()
			if b == nil {
				continue
			}
		case m, ok := <-ch:
			if !ok {
				return
			}
			b = m
		}
		if c.Write(ctx, websocket.MessageText, b) != nil {
			return
		}
	}
}

// keepReading repeats the last reading once a second for one page.
func (f *fake) keepReading(gone <-chan struct{}) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-gone:
			return
		case <-tick.C:
		}
		f.mu.Lock()
		for _, p := range f.snap["pots"].([]obj) {
			r := obj{}
			for k, v := range p["reading"].(obj) {
				r[k] = v
			}
			r["at"], r["age"] = f.nowLocked(), 0.2
			p["reading"] = r
			if r["quality"] == "good" {
				p["last_good"] = r
			}
			f.sendLocked(obj{"type": "reading", "pot_id": p["id"], "reading": r})
		}
		f.mu.Unlock()
	}
}

// cut ends every socket, as a stopping daemon does; down also refuses new ones.
func (f *fake) cut(down bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.down = down
	for ch := range f.clients {
		close(ch)
		delete(f.clients, ch)
	}
}

func (f *fake) nowLocked() string { return time.Now().UTC().Format(time.RFC3339Nano) }

func (f *fake) snapshotLocked() []byte {
	f.snap["type"], f.snap["seq"], f.snap["now"] = "snapshot", f.seq, f.nowLocked()
	b, _ := json.Marshal(f.snap)
	return b
}

// send publishes one update.
func (f *fake) send(m obj) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.sendLocked(m)
}

func (f *fake) sendLocked(m obj) {
	f.seq++
	m["seq"], m["now"] = f.seq, f.nowLocked()
	b, _ := json.Marshal(m)
	for ch := range f.clients {
		select {
		case ch <- b:
		default:
		}
	}
}

// changeLocked edits the first pot and publishes it.
func (f *fake) changeLocked(edit func(pot obj)) {
	p := f.pot()
	edit(p)
	f.sendLocked(obj{"type": "pot", "pot": p})
}

func (f *fake) pot() obj { return f.snap["pots"].([]obj)[0] }

// notice raises or moves an alarm or a cue of the first pot and publishes it.
func (f *fake) notice(n obj) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.noticeLocked(n)
}

func (f *fake) noticeLocked(n obj) {
	p := f.pot()
	var rest []obj
	for _, o := range p["notices"].([]obj) {
		if o["key"] != n["key"] {
			rest = append(rest, o)
		}
	}
	if n["state"] != "normal" {
		rest = append([]obj{n}, rest...)
	}
	if rest == nil {
		rest = []obj{}
	}
	p["notices"] = rest
	f.sendLocked(obj{"type": "notice", "pot_id": p["id"], "notice": n})
}

func reply(w http.ResponseWriter, status int, v any) {
	if v == nil {
		w.WriteHeader(status)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(v)
}

func (f *fake) api(w http.ResponseWriter, r *http.Request, p string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	parts := strings.Split(strings.Trim(p, "/"), "/")
	if r.Method == http.MethodGet {
		switch {
		case p == "/snapshot":
			w.Header().Set("Content-Type", "application/json")
			w.Write(f.snapshotLocked())
		case strings.HasSuffix(p, "/curve"):
			curve := f.curve
			for i, pot := range f.snap["pots"].([]obj) {
				if i > 0 && parts[0] == "pots" && pot["id"] == parts[1] {
					curve = f.curveOf([]obj{pot})
				}
			}
			reply(w, 200, curve)
		default:
			if v, ok := f.rest[p]; ok {
				reply(w, 200, v)
				return
			}
			reply(w, 404, obj{"code": "not-found", "status": 404, "title": "Not found", "detail": "There is nothing at " + p + "."})
		}
		return
	}
	var body obj
	if r.ContentLength != 0 {
		if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
			reply(w, 400, obj{"code": "bad-request", "status": 400, "title": "Bad request", "detail": err.Error()})
			return
		}
	}
	f.calls = append(f.calls, r.Method+" "+p)
	switch {
	case len(parts) == 3 && parts[0] == "pots" && parts[2] == "taps":
		f.tapLocked(w, body)
	case len(parts) == 3 && parts[0] == "pots" && parts[2] == "start":
		f.changeLocked(func(p obj) {
			if p["batch"] == nil {
				maps.Copy(p, newPot(parts[1], p["name"].(string), "melting", time.Now().UTC()))
				p["stamp"] = 40
			}
		})
		reply(w, 201, obj{"batch": "b-new"})
	case len(parts) == 5 && parts[2] == "events":
		id := parts[3]
		f.changeLocked(func(p obj) {
			p["asked"] = []string{}
			if parts[4] == "correct" { // as the station has it: what now holds, and the history beside it
				events := p["events"].([]obj)
				p["history"] = append(append([]obj{}, events...), obj{"id": "c-" + id, "kind": "correction", "corrects": id, "at": 0, "wall": f.nowLocked(), "who": "Kitchen phone", "corrected": merge(events, id, body)})
				p["events"] = slices.Clone(events)
				for i, e := range events {
					if e["id"] == id {
						p["events"].([]obj)[i] = merge(events, id, body)
					}
				}
			}
			if parts[4] == "withdraw" {
				p["events"] = append(p["events"].([]obj), obj{"id": "w-" + id, "kind": "withdrawal", "corrects": id, "at": 0, "wall": f.nowLocked()})
			}
		})
		reply(w, 204, nil)
	case len(parts) == 5 && parts[2] == "notices":
		for _, n := range f.pot()["notices"].([]obj) {
			if n["key"] != parts[3] {
				continue
			}
			m := obj{}
			for k, v := range n {
				m[k] = v
			}
			m["state"], m["why"] = map[string]string{"acknowledge": "acked", "shelve": "shelved", "unshelve": "acked", "reset": "normal", "remove": "out-of-service", "restore": "acked"}[parts[4]], parts[4]
			f.noticeLocked(m)
		}
		reply(w, 204, nil)
	case p == "/sheet":
		if o, ok := body["options"].(obj); ok && o["wax"] == 13.0 { // a way to see a refusal
			reply(w, 422, obj{"code": "invalid", "status": 422, "title": "That can't be", "detail": "The recipe can't be worked out.", "fields": []obj{{"field": "container[2].volume", "text": "is 300 ml: a fill by volume needs the density of every wax; add it to each wax"}}})
			return
		}
		reply(w, 200, obj{"sheet": sheet(), "text": "sheet"})
	case len(parts) == 3 && parts[0] == "batches" && parts[2] == "notes":
		reply(w, 200, obj{"event": obj{"id": body["id"], "kind": "found", "wall": f.nowLocked()}})
	case len(parts) >= 3 && parts[0] == "probes" && parts[2] == "calibration":
		cal := f.rest["/probes"].(obj)["probes"].([]obj)[0]["calibration"].(obj)
		switch {
		case r.Method == http.MethodDelete:
			cal["taking"] = nil
		case len(parts) == 4:
			cal["taking"] = nil
			cal["points"] = []obj{{"kind": "ice", "true": 0.0, "raw": 0.31, "at": f.nowLocked(), "by": "Kitchen phone"}}
			reply(w, 200, cal)
			return
		default:
			cal["taking"] = obj{"kind": body["kind"], "true": 0.0, "raw": 0.34, "near": true, "quality": "good", "steady": false, "mean": 0.33, "range": 0.12, "drift": -0.03, "span": 24.0, "hold": 60.0}
		}
		reply(w, 204, nil)
	case p == "/channels/test":
		reply(w, 200, f.rest["/channels"])
	case p == "/pairing-codes":
		reply(w, 201, obj{"code": "BCDF-GHJK", "url": "http://192.0.2.7:8080/pair#BCDF-GHJK", "role": body["role"],
			"expires": time.Now().UTC().Add(5 * time.Minute).Format(time.RFC3339),
			"qr":      "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 21 21'%3E%3Crect width='21' height='21' fill='white'/%3E%3Cpath d='M2 2h5v5H2zM14 2h5v5h-5zM2 14h5v5H2zM9 9h3v3H9z'/%3E%3C/svg%3E"})
	default:
		reply(w, 204, nil)
	}
}

// merge is the event of that id with what a correction says of it.
func merge(events []obj, id string, body obj) obj {
	out := obj{}
	for _, e := range events {
		if e["id"] == id {
			maps.Copy(out, e)
		}
	}
	maps.Copy(out, body)
	return out
}

func (f *fake) tapLocked(w http.ResponseWriter, body obj) {
	id, _ := body["id"].(string)
	if code := f.refuse; code != "" {
		f.refuse = ""
		reply(w, 409, obj{"code": code, "status": 409, "title": "The pot has moved on", "detail": "The pot is no longer where this tap was made.", "pot": f.pot()})
		return
	}
	kind, _ := body["kind"].(string)
	e := obj{"id": id, "kind": kind, "at": 0, "wall": f.nowLocked(), "text": body["text"]}
	if !f.seen[id] {
		f.seen[id] = true
		f.taps = append(f.taps, body)
		f.sendLocked(obj{"type": "event", "pot_id": f.pot()["id"], "event": e})
		f.changeLocked(func(p obj) {
			p["events"] = append(p["events"].([]obj), e)
			if next, ok := after[kind]; ok {
				stage(p, next)
			}
		})
	}
	reply(w, 200, obj{"event": e})
}

var after = map[string]string{"scent-added": "stirring", "stirred": "cooling", "jug-out": "cooling", "pour-start": "pouring", "poured": "setting", "trimmed": "curing"}

func sheet() obj {
	const minute = 60e9
	return obj{
		"name": "Harbour Fog, tins", "recipe": "Harbour Fog",
		"thresholds": bands(),
		"timers":     obj{"stir": 2 * minute, "warm_jars": 10 * minute, "cue_lead": 2 * minute, "trim": 180 * minute, "move": 24 * 60 * minute, "cure": 14 * 24 * 60 * minute},
		"wax":        []obj{{"name": "Rapeseed-coconut", "grams": 1440.0, "lot": "RC-0417"}},
		"fragrance":  []obj{{"name": "Harbour Fog oil", "grams": 76.0, "lot": "HF-12"}, {"name": "Tarred rope oil", "grams": 25.5}},
		"extras":     []obj{{"name": "Slate dye", "grams": 1.4}},
		"containers": []obj{{"name": "Tin 200", "count": 8, "grams": 180.0, "wicks": 1}, {"name": "Jam jar", "count": 1, "grams": 100.0, "wicks": 1}},
		"jug":        "Big jug", "scale_step": 1.0, "fine_step": 0.1,
		"warnings": []obj{{"key": "flash-class", "text": "Scent-add at 74 °C is within 16.7 °C of the flash point of Tarred rope oil (88 °C, closed cup). Keep flames away while you stir."}},
	}
}

func bands() obj {
	return obj{"scent_add": 74.0, "pour_high": 57.0, "pour": 54.0, "pour_low": 50.0, "congeal": 44.0,
		"flash": obj{"celsius": 93.0, "method": "closed cup", "oil": "Tarred rope oil"}, "flash_margin": 10.0, "scorch": 100.0, "bath_ceiling": 99.9}
}

// stage puts a pot into a stage, with what belongs to it.
func stage(p obj, name string) {
	p["stage"], p["stage_age"] = name, 120.0
	p["stamp"] = p["stamp"].(int) + 1
	p["fan"] = []obj{}
	set := func(c, trend float64, heat bool, next obj, taps ...string) {
		now := time.Now().UTC().Format(time.RFC3339Nano)
		r := obj{"probe": "28-0417", "role": "pot", "at": now, "age": 0.4, "celsius": c, "quality": "good"}
		p["reading"], p["last_good"], p["trend"], p["heat_on"], p["next"], p["taps"] = r, r, trend, heat, next, append(taps, "note", "abandoned")
		p["probes"] = []obj{r}
		if next == nil {
			p["next"] = nil
			return
		}
		eta, ok := next["eta"].(float64)
		if !ok || next["status"] != "ok" {
			return
		}
		target := next["celsius"].(float64)
		var fan []obj
		for i := range 25 {
			a := eta * 1.3 * float64(i) / 24
			mid := c + (target-c)*(1-math.Exp(-1.2*a/eta))/(1-math.Exp(-1.2))
			w := 0.15 + 0.11*math.Abs(mid-c)
			fan = append(fan, obj{"ahead": a, "lo": mid - w, "mid": mid, "hi": mid + w})
		}
		p["fan"] = fan
	}
	next := func(key, status string, celsius any, eta, lo, hi float64) obj {
		return obj{"key": key, "celsius": celsius, "status": status, "reason": "", "eta": eta, "lo": lo, "hi": hi, "p_reach": 0.98, "open_for": nil}
	}
	switch name {
	case "melting":
		n := next("scent-add", "ok", 74.0, 372, 315, 470)
		n["grams"] = 101.5
		set(63.4, 1.8, true, n, "scent-added", "heat-off", "probe-out")
	case "scent":
		n := next("scent-add", "reached", 74.0, 0, 0, 0)
		n["grams"] = 101.5
		set(74.3, 0.6, true, n, "scent-added", "heat-off", "jug-out")
	case "stirring":
		set(72.8, -0.4, true, next("stir-end", "timer", nil, 98, 98, 98), "stirred", "heat-off", "jug-out")
	case "cooling":
		set(66.1, -0.9, false, next("window-open", "ok", 57.0, 1120, 1010, 1290), "pour-start", "jug-out", "heat-on")
	case "window":
		n := next("pour", "ok", 54.0, 240, 200, 300)
		n["open_for"] = 560.0
		set(56.2, -0.5, false, n, "pour-start", "poured", "heat-on")
	case "pouring":
		n := next("window-close", "ok", 50.0, 400, 330, 500)
		set(53.1, -0.4, false, n, "poured", "left-over")
	case "setting":
		set(41.0, -0.2, false, next("trim", "timer", nil, 2*3600+2400, 0, 0), "wicks", "trimmed", "moved", "left-over")
	case "curing":
		set(21.4, 0, false, next("cured", "timer", nil, 11.4*86400, 0, 0), "moved", "cured")
	case "cold":
		set(48.7, -0.3, false, obj{"key": "pour", "celsius": 54.0, "status": "unreachable", "reason": "", "eta": nil, "lo": nil, "hi": nil, "p_reach": 0.0, "open_for": nil}, "heat-on", "poured")
	case "idle":
		set(21.3, 0, false, nil)
		p["taps"] = []string{}
	}
}

func newPot(id, name, st string, start time.Time) obj {
	p := obj{"id": id, "name": name, "stamp": 7, "notices": []obj{}, "asked": []string{}, "bands": bands(),
		"batch": obj{"id": "b-0042", "name": "Harbour Fog, tins", "started": start.Format(time.RFC3339Nano), "age": time.Since(start).Seconds(), "sheet": sheet(), "like": "b-0039"},
		"events": []obj{
			{"id": "e-start", "kind": "start", "at": 0, "wall": start.Format(time.RFC3339Nano), "who": "kitchen phone"},
		}}
	stage(p, st)
	if st == "idle" {
		p["batch"], p["bands"], p["events"] = nil, nil, []obj{}
	}
	return p
}

func notice(key, class, priority, state, title, body string, do ...string) obj {
	return obj{"key": key, "class": class, "priority": priority, "state": state, "why": "raised",
		"since": time.Now().UTC().Add(-8 * time.Second).Format(time.RFC3339Nano), "age": 8.0, "title": title, "body": body, "do": do, "celsius": 84.1, "limit": 83.0, "seconds": nil}
}

var flashAlarm = notice("flash-margin", "alarm", "urgent", "unacked", "TOO HOT: 84.1 °C. Heat off now",
	"The wax with fragrance is at 84.1 °C. The limit is 83.0 °C: Tarred rope oil can give off vapour that burns from 93.0 °C (closed cup).",
	"Turn the heat off now.", "Lift the jug out of the bath if you can do so safely. Keep flames and sparks away.",
	"If it smokes or burns: heat off, and slide a lid over it to smother it if you can do so safely. Don't carry it.",
	"Never put water on hot wax.", "If it keeps burning: leave, close the door and call for help.",
	"This station is an aid, not a safety device: trust your eyes and nose first.")

func pourCue() obj {
	return notice("pour-now", "cue", "high", "unacked", "Pour now: 54.2 °C", "The pour window stays open for about 9 min.", "Pour slowly down the side of the jar.")
}

// setScene builds the whole station in one state.
func (f *fake) setScene(scene string) {
	name, detail, _ := strings.Cut(scene, "/")
	f.snap = obj{
		"name": "The Boathouse", "version": "0.1.0", "demo": false, "lapse": 1.0, "units": "C", "mass": "g", "role": "maker",
		"room":     obj{"probe": "room", "role": "room", "at": f.nowLocked(), "age": 1.0, "celsius": 19.8, "quality": "good"},
		"channels": []obj{{"name": "page", "kind": "page", "ok": true}}, "troubles": []obj{},
	}
	one := func(st string) obj { return newPot("pot", "Big jug", st, f.start) }
	pots := []obj{one("melting")}
	switch name {
	case "none":
		f.empty = true
		pots = []obj{}
	case "alarm":
		pots[0]["notices"] = []obj{flashAlarm}
		pots[0]["reading"].(obj)["celsius"] = 84.1
	case "cue":
		pots[0] = one("window")
		pots[0]["notices"] = []obj{pourCue(), notice("warm-jars", "cue", "low", "acked", "Warm the jars", "", "")}
	case "asked":
		pots[0] = one("cooling")
		pots[0]["events"] = append(pots[0]["events"].([]obj), obj{"id": "e-out", "kind": "jug-out", "detected": true, "at": 0, "wall": f.nowLocked()})
		pots[0]["asked"] = []string{"e-out"}
	case "suspect":
		pots[0]["reading"] = obj{"probe": "28-0417", "role": "pot", "at": f.nowLocked(), "age": 0.2, "celsius": nil, "quality": "crc", "detail": "9 bytes, checksum 57 instead of 3f"}
		pots[0]["notices"] = []obj{notice("probe-lost", "alarm", "high", "acked", "Thermometer lost while the heat is on", "Its answers arrive damaged; look at the cable and its length.", "Go and look at the wax now.")}
		f.snap["troubles"] = []obj{{"key": "disk", "text": "The disk is nearly full (40 MB left). Free some space, or readings can't be kept."}}
		f.snap["channels"] = []obj{{"name": "page", "kind": "page", "ok": true}, {"name": "Workshop mail", "kind": "mail", "ok": false, "tried": f.nowLocked(), "reason": "the mail server refused the password"}}
	case "early":
		pots[0]["next"] = obj{"key": "scent-add", "celsius": 74.0, "status": "too-early", "reason": "", "eta": nil, "lo": nil, "hi": nil, "p_reach": 0.5, "grams": 101.5, "open_for": nil}
		pots[0]["fan"] = []obj{}
	case "wont":
		pots[0]["next"] = obj{"key": "scent-add", "celsius": 74.0, "status": "unreachable", "reason": "levelling off near 69 °C", "eta": nil, "lo": nil, "hi": nil, "p_reach": 0.02, "grams": 101.5, "open_for": nil}
	case "long":
		f.snap["units"], f.snap["mass"], f.snap["role"] = "F", "oz", "viewer"
		f.snap["name"] = "The Boathouse at the Old Customs Quay"
		pots[0]["name"] = "Large enamelled jug by the window"
		pots[0]["batch"].(obj)["name"] = "Nordhafenstrandspaziergangsnachtduft, 24 tins and 6 jam jars for the midsummer market"
		pots[0]["reading"].(obj)["celsius"] = 84.9
	case "day":
		f.start = f.start.Add(38*time.Minute - dayLong)
		pots[0] = one("cooling")
	case "two":
		pots = []obj{one("cooling"), newPot("small", "Small jug", "melting", f.start)}
	case "three":
		pots = []obj{one("window"), newPot("small", "Small jug", "melting", f.start), newPot("test", "Test pot", "idle", f.start)}
	case "dead":
		f.still = true
		pots[0]["reading"].(obj)["age"] = 12.0
	case "":
	default:
		pots[0] = one(name)
	}
	_ = detail
	f.snap["pots"] = pots
	f.curve = f.curveOf(pots)
	if name == "day" {
		f.day()
	}
	f.restOf()
}

// curveOf makes a curve that ends at the first pot's reading: 1 Hz since the start.
func (f *fake) curveOf(pots []obj) obj {
	if len(pots) == 0 {
		return obj{"pot": "", "batch": "", "start": f.start.Format(time.RFC3339Nano), "series": []obj{}, "events": []obj{}}
	}
	end, _ := pots[0]["reading"].(obj)["celsius"].(float64)
	if end == 0 {
		end = 63.4
	}
	n := int(time.Since(f.start).Seconds())
	t, c := make([]float64, n), make([]any, n)
	cooling := !strings.Contains("melting scent", pots[0]["stage"].(string))
	for i := range n {
		x := float64(i) / float64(n-1)
		var v float64
		if cooling {
			switch {
			case x < 0.5:
				v = 21 + 53.6*(1-math.Exp(-3.2*x/0.5))/(1-math.Exp(-3.2))
			case x < 0.55:
				v = 74.6 - 30*(x-0.5)
			default:
				v = end + (73.1-end)*(math.Exp(-1.1*(x-0.55)/0.45)-math.Exp(-1.1))/(1-math.Exp(-1.1))
			}
		} else {
			v = 21 + (end-21)*(1-math.Exp(-1.6*x))/(1-math.Exp(-1.6))
			if x > 0.3 && x < 0.45 {
				v -= 1.5 * math.Sin((x-0.3)/0.15*math.Pi)
			}
		}
		v += 0.06 * math.Sin(float64(i)*1.7)
		t[i], c[i] = float64(i), math.Round(v*16)/16
	}
	for i := 900; i < 960 && i < n; i++ {
		c[i] = nil
	}
	return obj{"pot": "pot", "batch": "b-0042", "start": f.start.Format(time.RFC3339Nano), "events": pots[0]["events"],
		"series": []obj{{"probe": "28-0417", "role": "pot", "t": t, "c": c, "lo": c, "hi": c}}}
}

// dayLong is how long the pot of the scene "day" has been under way.
const dayLong = 12 * time.Hour

// day makes the curve one of twelve hours at 1 Hz, of wax, bath and room, with
// waves a maker would look closer at.
func (f *fake) day() {
	n := int(dayLong.Seconds())
	of := func(probe, role string, mid, swing, period float64) obj {
		t, c := make([]float64, n), make([]float64, n)
		for i := range n {
			s := float64(i)
			t[i], c[i] = s, math.Round((mid+swing*math.Sin(s/period)+0.06*math.Sin(s*1.7))*16)/16
		}
		return obj{"probe": probe, "role": role, "t": t, "c": c, "lo": c, "hi": c}
	}
	f.curve["series"] = []obj{of("28-0417", "pot", 60, 12, 3000), of("28-0418", "bath", 70, 11, 2900), of("room", "room", 20, 1, 7000)}
}

func (f *fake) restOf() {
	at := func(d time.Duration) string { return time.Now().UTC().Add(-d).Format(time.RFC3339Nano) }
	f.rest["/preferences"] = obj{"units": f.snap["units"], "mass": f.snap["mass"], "clock": "24", "theme": "auto", "sound": true, "language": "en"}
	f.rest["/channels"] = obj{"channels": f.snap["channels"]}
	f.rest["/me"] = obj{"role": f.snap["role"], "device": nil}
	f.rest["/devices"] = obj{"devices": []obj{
		{"id": "d1", "name": "Kitchen phone", "role": "maker", "paired": at(72 * time.Hour), "seen": at(time.Minute), "this": true},
		{"id": "d2", "name": "Tablet in the shop", "role": "viewer", "paired": at(240 * time.Hour), "seen": at(26 * time.Hour)}}}
	f.rest["/probes"] = obj{"probes": []obj{
		{"id": "28-0417", "name": "Steel sleeve", "kind": "w1", "where": "28-000000000417", "pot": "pot", "role": "pot", "attached": true, "rate": 1.0, "readings": 2280,
			"errors": obj{"crc": 2}, "since": at(time.Hour), "mend": "", "good": nil, "calibration": obj{"points": []obj{}, "taking": nil},
			"last": obj{"probe": "28-0417", "role": "pot", "at": at(0), "age": 0.5, "celsius": 63.4, "quality": "good"}},
		{"id": "room", "name": "Room", "kind": "w1", "where": "28-000000000a21", "pot": "", "role": "room", "attached": false, "rate": 0.0, "readings": 12,
			"errors": obj{"no-device": 41}, "since": at(time.Hour), "mend": "It was there until 10:02. Look at the plug and the cable.", "last": nil, "good": nil}}}
	f.rest["/batches"] = obj{"next": "b-0031", "batches": []obj{
		{"id": "b-0042", "pot": "pot", "name": "Harbour Fog, tins", "recipe": "Harbour Fog", "stage": "melting", "started": at(38 * time.Minute), "lots": []string{"RC-0417", "HF-12"}},
		{"id": "b-0039", "pot": "pot", "name": "Harbour Fog, tins", "recipe": "Harbour Fog", "stage": "curing", "started": at(50 * time.Hour), "lots": []string{"RC-0417"}},
		{"id": "b-0031", "pot": "pot", "name": "Tarred Rope, jam jars", "recipe": "Tarred Rope", "stage": "done", "started": at(30 * 24 * time.Hour), "ended": at(12 * 24 * time.Hour), "lots": []string{}}}}
	f.rest["/recipes"] = obj{"faults": []string{}, "recipes": []obj{
		{"key": "harbour-fog", "name": "Harbour Fog", "recipe": form(), "plan": obj{
			"containers": []obj{{"name": "Tin 200", "wax": 170.0, "wicks": 1}, {"name": "Jam jar with the wide mouth", "wax": 95.0, "wicks": 1}},
			"jugs":       []obj{{"name": "Big jug", "holds": 2000.0}, {"name": "Small jug", "holds": 700.0}}}},
		{"key": "tarred-rope", "name": "Tarred Rope", "recipe": form(), "plan": obj{"containers": []obj{{"name": "Jam jar", "wax": 95.0, "wicks": 1}}}}}}
	f.rest["/recipes/harbour-fog"] = obj{"key": "harbour-fog", "name": "Harbour Fog", "recipe": form()}
	item := func(step, title, state string, due, done time.Duration) obj {
		it := obj{"code": "b-0039", "name": "Harbour Fog, tins", "step": step, "title": title, "state": state, "jars": 9, "due": at(-due)}
		if state == "done" {
			it["done"] = at(done)
		}
		return it
	}
	f.rest["/shelf"] = obj{"now": f.nowLocked(), "due": []obj{}, "next": []obj{}, "rows": []obj{
		{"code": "b-0039", "name": "Harbour Fog, tins", "poured": at(49 * time.Hour), "jars": 9, "status": "curing", "share": 0.146, "now": []obj{}, "next": nil, "items": []obj{
			item("trim", "Trim 9 wicks", "done", -46*time.Hour, 45*time.Hour), item("move", "Move 9 candles", "due", -25*time.Hour, 0), item("cure", "Ready: 9 candles", "waiting", 287*time.Hour, 0)}},
		{"code": "b-0036", "name": "Tarred Rope, jam jars for the midsummer market on the old customs quay", "poured": at(15 * 24 * time.Hour), "jars": 14, "status": "ready", "share": 1.0, "now": []obj{}, "next": nil, "items": []obj{
			item("trim", "Trim 14 wicks", "done", -300*time.Hour, 299*time.Hour), item("move", "Move 14 candles", "done", -300*time.Hour, 270*time.Hour), item("cure", "Ready: 14 candles", "due", -20*time.Hour, 0)}}}}
	for _, id := range []string{"b-0042", "b-0039", "b-0031"} {
		f.rest["/batches/"+id] = f.record(id, at)
	}
	if f.empty {
		f.rest["/batches"] = obj{"batches": []obj{}, "next": ""}
		f.rest["/recipes"] = obj{"recipes": []obj{}, "faults": []string{}}
		f.rest["/shelf"] = obj{"rows": []obj{}}
		f.rest["/probes"] = obj{"probes": []obj{}}
		f.rest["/devices"] = obj{"devices": []obj{}}
	}
}

func (f *fake) record(id string, at func(time.Duration) string) obj {
	return obj{"code": id, "name": "Harbour Fog, tins", "recipe": "Harbour Fog", "station": "The Boathouse", "pot": "pot",
		"started": at(50 * time.Hour), "poured": at(49 * time.Hour), "trim": at(46 * time.Hour), "move": at(25 * time.Hour), "ready": at(-287 * time.Hour),
		"materials":  []obj{{"kind": "wax", "name": "Rapeseed-coconut", "planned": 1440.0, "actual": nil, "lot": "RC-0417"}, {"kind": "fragrance", "name": "Harbour Fog oil", "planned": 76.0, "actual": 76.2, "lot": "HF-12"}, {"kind": "wicks", "name": "Wicks", "planned": 9, "actual": 9}},
		"containers": []obj{{"name": "Tin 200", "planned": 8, "actual": 8, "wicks": 1}, {"name": "Jam jar", "planned": 1, "actual": 1, "wicks": 1}},
		"lines": []obj{{"key": "scent", "what": "Wax at scent-add", "unit": "C", "planned": 74.0, "actual": 74.6},
			{"key": "pour", "what": "Wax at the first jar", "unit": "C", "planned": 54.0, "low": 50.0, "high": 57.0, "actual": 57.8, "mark": "above"},
			{"key": "stir", "what": "Stirred", "unit": "s", "planned": 120.0, "actual": 131.0}, {"key": "load", "what": "Fragrance load", "unit": "%", "planned": 6.5, "actual": 6.48}},
		"steps": []obj{{"id": "a", "kind": "start", "wall": at(50 * time.Hour), "title": "Started: wax in, heat on", "who": "Kitchen phone"},
			{"id": "b", "kind": "scent-added", "wall": at(49*time.Hour + 20*time.Minute), "title": "Fragrance added", "celsius": 74.6, "grams": 101.5, "before": []obj{{"text": "Fragrance added 9:12", "at": at(49 * time.Hour)}}},
			{"id": "c", "kind": "note", "wall": at(49*time.Hour + 10*time.Minute), "title": "Note", "text": "a skin at the rim", "taken": true}},
		"findings": []obj{{"id": "f", "wall": at(24 * time.Hour), "age": 9e13, "finish": []string{"smooth"}, "cold_throw": 4, "text": "one jar a little low"}},
		"warnings": []obj{{"key": "flash-class", "level": "caution", "text": "Scent-add at 74 °C is within 16.7 °C of the flash point."}},
		"summary":  obj{"peak": 75.1, "peak_at": at(49 * time.Hour), "room": 19.6, "readings": 5123, "alarms": []obj{{"at": at(49*time.Hour + 25*time.Minute), "text": "Heating too fast: limit in about 2 min"}}},
		"lots":     []string{"RC-0417", "HF-12"}, "show": obj{"temperature": "C", "mass": "g"}}
}

func form() obj {
	return obj{"name": "Harbour Fog", "temperature": "C", "mass": "g", "scale": "1 g", "fine_scale": "0.1 g",
		"wax":          []obj{{"name": "Rapeseed-coconut", "share": "100 %", "density": "0.88 g/ml", "max_load": "10 %", "lot": "RC-0417"}},
		"fragrance":    obj{"load": "7 %", "basis": "of wax", "oil": []obj{{"name": "Harbour Fog oil", "share": "75 %", "flash": "101 °C", "method": "closed cup"}, {"name": "Tarred rope oil", "share": "25 %", "flash": "93 °C", "method": "closed cup"}}},
		"container":    []obj{{"name": "Tin 200", "wax": "170 g", "wicks": 1}},
		"temperatures": obj{"scent_add": "74 °C", "pour_high": "57 °C", "pour": "54 °C", "pour_low": "50 °C"},
		"timers":       obj{"stir": "2 min", "cure": "14 d"}}
}
