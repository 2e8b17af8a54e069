package station

import (
	"math"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
)

// The predicted path shown to the maker: so many points, reaching a little past
// what is waited for, and never further than this.
const (
	fanPoints = 24
	fanLeast  = 5 * 60.0
	fanMost   = 2 * 3600.0
)

// view is the pot as a page sees it.
func (p *pot) view(now time.Time) PotView {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.viewLocked(now)
}

func (p *pot) viewLocked(now time.Time) PotView {
	at := p.s.line.at(now)
	v := PotView{
		ID: p.opt.ID, Name: p.opt.Name, Stage: plan.StageIdle, Stamp: p.stamp,
		Probes: []ReadingView{}, Fan: []FanPoint{}, Notices: []NoticeView{}, Events: []plan.Event{}, Asked: []string{},
	}
	for _, id := range p.order {
		v.Probes = append(v.Probes, readingView(p.probes[id].Last, now))
	}
	if st := p.potProbe(at); st != nil {
		r := readingView(st.Last, now)
		v.Reading = &r
		if st.HaveGood {
			g := readingView(st.Good, now)
			v.LastGood = &g
		}
	}
	for _, n := range p.watch.Standing() {
		v.Notices = append(v.Notices, p.s.noticeView(n, now))
	}
	for _, r := range p.s.shelfRuns() {
		if r.batch.Pot != p.opt.ID {
			continue
		}
		for _, n := range r.watch.Standing() {
			nv := p.s.noticeView(n, now)
			nv.Batch, nv.Title = r.batch.ID, ofBatch(r.batch.Name, nv.Title)
			v.Notices = append(v.Notices, nv)
		}
	}
	if per, ok := p.rate(); ok {
		perMinute := per * 60
		v.Trend = &perMinute
	}
	r := p.run
	if r == nil {
		v.Taps = []plan.EventKind{plan.EventStart}
		return v
	}
	stage, since := r.progress.Stage()
	v.Stage, v.StageAge = stage, (at - since).Seconds()
	v.HeatOn = r.progress.HeatOn()
	v.Taps = r.progress.Taps()
	th := r.sheet.Thresholds
	v.Bands = &th
	v.Batch = &BatchView{
		ID: r.batch.ID, Name: r.batch.Name, Started: r.batch.Started, Age: (at - r.batch.StartAt).Seconds(),
		Sheet: &r.sheet, Like: r.like,
	}
	for _, e := range r.events {
		e.Forecast = nil
		v.Events = append(v.Events, e)
		if e.Detected {
			v.Asked = append(v.Asked, e.ID)
		}
	}
	if slices.ContainsFunc(r.history, func(e plan.Event) bool { return e.Corrects != "" }) {
		for _, e := range r.history {
			e.Forecast = nil
			v.History = append(v.History, e)
		}
	}
	v.Next = p.next(at, stage)
	p.fan(&v)
	return v
}

// ofBatch says whose candles a title speaks of: not those of the batch in the pot.
func ofBatch(name, title string) string {
	if name == "" || title == "" {
		return title
	}
	return name + ": " + strings.ToLower(title[:1]) + title[1:]
}

// rate is the trend, from the forecast's smoothing.
func (p *pot) rate() (perSecond float64, ok bool) {
	defer func() {
		if recover() != nil {
			perSecond, ok = 0, false
		}
	}()
	st := p.potProbe(p.s.line.at(p.s.now()))
	if st == nil || !st.Last.OK() {
		return 0, false
	}
	perSecond, ok = p.engine.Rate()
	return perSecond, ok && !math.IsNaN(perSecond)
}

// fan fills in the predicted path.
func (p *pot) fan(v *PotView) {
	defer func() { _ = recover() }() // a fan is a picture: without one the page still stands
	switch v.Stage {
	case plan.StageMelting, plan.StageScent, plan.StageStirring, plan.StageCooling, plan.StageWindow, plan.StagePouring, plan.StageCold:
	default:
		return
	}
	if st := p.potProbe(p.s.line.at(p.s.now())); st == nil || !st.Last.OK() || p.outlook == nil {
		return
	}
	end := fanLeast
	for _, f := range []forecast.Forecast{p.outlook.Scent, p.outlook.WindowOpen, p.outlook.WindowClose} {
		if f.Status == forecast.OK && f.Eta > 0 {
			end = max(end, f.Eta*1.15)
		}
	}
	end = min(end, fanMost)
	for i := 0; i <= fanPoints; i++ {
		ahead := end * float64(i) / fanPoints
		lo, mid, hi, ok := p.engine.Ahead(ahead)
		if !ok || math.IsNaN(lo+mid+hi) || math.IsInf(lo+mid+hi, 0) {
			break
		}
		v.Fan = append(v.Fan, FanPoint{Ahead: ahead, Lo: lo, Mid: mid, Hi: hi})
	}
}

// next is the next thing to do.
func (p *pot) next(at time.Duration, stage plan.Stage) *NextView {
	r := p.run
	th, tm := r.sheet.Thresholds, r.sheet.Timers
	// Times count from the moment of the forecast; with no good reading since, they
	// say nothing any more.
	age, stale := (at - p.fitted).Seconds(), false
	if st := p.potProbe(at); st != nil && st.HaveGood {
		stale = at-st.GoodAt > p.s.opt.Alarms.StaleAfter
	}
	aged := func(v float64) *float64 { return finite(max(v-age, 0)) }
	waits := func(key string, celsius float64, f *forecast.Forecast) *NextView {
		n := &NextView{Key: key, Celsius: &celsius, Status: string(forecast.TooEarly), Reason: "no reading yet"}
		if f != nil {
			n.Status, n.Reason = string(f.Status), f.Reason
			switch {
			case stale:
				n.Status, n.Reason = string(forecast.Disturbed), "no good reading of late"
				return n
			case f.Status == forecast.OK:
				n.Eta, n.Lo, n.Hi = aged(f.Eta), aged(f.Lo), aged(f.Hi)
			}
			if f.Status != forecast.TooEarly && f.Status != forecast.Disturbed {
				n.PReach = finite(f.PReach)
			}
		}
		return n
	}
	timer := func(key string, from, wait time.Duration) *NextView {
		eta := max((from + wait - at).Seconds(), 0)
		n := &NextView{Key: key, Status: "timer", Eta: &eta}
		if eta == 0 {
			n.Status = string(forecast.Reached)
		}
		return n
	}
	o := p.outlook
	if o == nil {
		o = &alerts.Outlook{}
		none := forecast.Forecast{Status: forecast.TooEarly, Reason: "too early to say", Eta: math.NaN(), Lo: math.NaN(), Hi: math.NaN()}
		o.Scent, o.WindowOpen, o.Pour, o.WindowClose = none, none, none, none
	}
	poured, _ := r.progress.PouredAt()
	switch stage {
	case plan.StageMelting, plan.StageScent:
		if _, in := r.progress.ScentAt(); in { // reheating: back above the window, then wait again
			return waits("reheat", th.PourHigh, &o.Reheat)
		}
		n := waits("scent-add", th.ScentAdd, &o.Scent)
		if stage == plan.StageScent {
			n.Status, n.Eta, n.Lo, n.Hi = string(forecast.Reached), nil, nil, nil
		}
		n.Grams = r.sheet.FragranceGrams()
		return n
	case plan.StageStirring:
		scent, _ := r.progress.ScentAt()
		return timer("stir-end", scent, tm.Stir)
	case plan.StageCooling:
		n := waits("window-open", th.PourHigh, &o.WindowOpen)
		n.OpenFor, n.Need = finite(p.openFor.Eta), r.need(at)
		return n
	case plan.StageWindow:
		n := waits("pour", th.Pour, &o.Pour)
		if c := p.celsius(); c != 0 && c <= th.Pour {
			n.Status, n.Eta, n.Lo, n.Hi = string(forecast.Reached), nil, nil, nil
		}
		n.OpenFor, n.Need = finite(o.WindowClose.Eta), r.need(at)
		return n
	case plan.StagePouring:
		n := waits("window-close", th.PourLow, &o.WindowClose)
		n.OpenFor, n.Need = n.Eta, r.need(at)
		return n
	case plan.StageCold:
		return waits("reheat", th.PourHigh, nil)
	case plan.StageSetting:
		return timer("trim", poured, tm.Trim)
	case plan.StageTrim:
		return timer("trim", poured, tm.Trim)
	case plan.StageCuring:
		if at-poured < tm.Move {
			return timer("move", poured, tm.Move)
		}
		return timer("cured", poured, max(tm.Cure, tm.Move))
	}
	return nil
}

// need is how long filling the containers still takes, s, by the sheet.
func (r *run) need(at time.Duration) *float64 {
	if r.sheet.Pour == nil || r.sheet.Pour.NeedSeconds <= 0 {
		return nil
	}
	left := r.sheet.Pour.NeedSeconds
	for _, e := range r.events {
		if e.Kind == plan.EventPourStart {
			left = max(0, left-(at-e.At).Seconds())
			break
		}
	}
	return &left
}

func finite(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

// noticeView puts a notice into words.
func (s *Station) noticeView(n alerts.Notice, now time.Time) NoticeView {
	at := s.line.at(now)
	t := alerts.Words(n, alerts.Units{Temperature: s.opt.Units, Mass: s.opt.Mass, Probes: s.opt.ProbeNames})
	v := NoticeView{
		Key: n.Key, Class: string(n.Class), Priority: string(n.Priority), State: string(n.State), Why: n.Why,
		Since: s.line.wallOf(n.At, now), Age: (at - n.At).Seconds(), FirstOut: n.FirstOut,
		Title: t.Title, Body: t.Body, Do: t.Do, Grams: n.Grams,
	}
	if n.Celsius != 0 {
		v.Celsius = finite(n.Celsius)
	}
	if n.Limit != 0 {
		v.Limit = finite(n.Limit)
	}
	if n.Seconds != 0 {
		v.Seconds = finite(n.Seconds)
	}
	return v
}
