package alerts

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
)

// model is a plain account of one alarm, written from the words of the standard
// and not from the table: flags instead of states.
type model struct {
	latching bool
	true_    bool // the condition, delays taken into account
	unseen   bool // raised and not acknowledged
	latched  bool // was true and has not been reset since
	where    string
	until    time.Duration
	raised   bool // since it was last normal
}

// state says in the standard's words what the flags amount to.
func (m *model) state() State {
	switch m.where {
	case "shelved":
		return Shelved
	case "removed":
		return OutOfService
	}
	switch {
	case m.true_ && m.raised && m.unseen:
		return Unacked
	case m.true_ && m.raised:
		return Acked
	case m.latching && m.latched && m.unseen:
		return LatchedUnack
	case m.latching && m.latched:
		return LatchedAck
	case m.unseen:
		return ReturnedUnack
	}
	return Normal
}

func (m *model) ask() { m.raised, m.unseen, m.latched = true, true, true }
func (m *model) rest() {
	m.raised, m.unseen, m.latched = false, false, false
}

func (m *model) comesBack() {
	m.where = ""
	m.rest()
	if m.true_ {
		m.ask()
	}
}

// TestLifeCycleAgainstPlainModel drives a watch with random readings and taps,
// and holds it against the plain model after every one: a latching alarm
// (flash-margin, no on-delay) and a plain one (scorch).
func TestLifeCycleAgainstPlainModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		key := rapid.SampledFrom([]string{KeyFlashMargin, KeyScorch}).Draw(t, "alarm")
		set := DefaultSettings()
		none := time.Duration(0)
		set.Rules = map[string]Tuning{key: {Remind: &none}}
		w := NewWatch("pot", set)
		rule, _ := find(key)
		m := &model{latching: rule.Latching}
		const limit = 90.0
		sheet := &plan.Sheet{Thresholds: plan.Thresholds{ScentAdd: 80, PourHigh: 60, Pour: 57, PourLow: 54, BathCeiling: 130}}
		if key == KeyFlashMargin {
			sheet.Thresholds.Flash, sheet.Thresholds.FlashMargin = &plan.FlashPoint{Celsius: limit + 10}, 10
		} else {
			sheet.Thresholds.Scorch = limit
		}
		f := Facts{Sheet: sheet, Stage: plan.StageCooling, Fragrance: true, DiskFree: -1, Batch: "b"}
		at := time.Duration(0)
		var below time.Duration = -1 // since when every good reading was below limit - deadband
		wall := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

		check := func(what string) {
			if got, want := w.byKey[key].state, m.state(); got != want {
				t.Fatalf("after %s at %v: state %s, the model says %s (%+v)", what, at, got, want, *m)
			}
		}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			what := rapid.SampledFrom([]string{"reading", "reading", "reading", "reading", "ack", "reset", "shelve", "unshelve", "remove", "restore", "rebuild"}).Draw(t, "what")
			switch what {
			case "reading":
				at += time.Duration(rapid.IntRange(1, 40).Draw(t, "gap")) * time.Second
				c := rapid.SampledFrom([]float64{70, 87.5, 88.5, 89.9, 90, 95}).Draw(t, "celsius")
				q := rapid.SampledFrom([]probe.Quality{probe.Good, probe.Good, probe.Good, probe.BadCRC, probe.OutOfRange}).Draw(t, "quality")
				r := probe.Reading{Probe: "a", Role: probe.RolePot, Celsius: c, Quality: q}
				f.At, f.Reading = at, &r
				w.Eval(f)
				if m.where == "shelved" && at >= m.until { // its time ends before the reading counts
					defer func() {}()
				}
				was := m.true_
				if q == probe.Good {
					switch {
					case c >= limit:
						m.true_, below = true, -1
					case c < limit-2:
						if below < 0 {
							below = at
						}
						if at-below >= 60*time.Second {
							m.true_ = false
						}
					}
				}
				switch {
				case m.where == "shelved" && at >= m.until:
					m.comesBack()
				case m.where != "":
				case m.true_ && !was:
					m.ask()
				case !m.true_ && was:
					m.raised = false
				}
			case "ack":
				_, err := w.Acknowledge(at, wall, key, "x")
				may := m.where == "" && m.unseen
				if (err == nil) != may {
					t.Fatalf("acknowledge: error %v, the model allows it: %v", err, may)
				}
				if may {
					m.unseen = false
				}
			case "reset":
				_, err := w.Reset(at, wall, key, "x")
				may := m.where == "" && m.latching && m.latched && !(m.true_ && m.raised)
				if (err == nil) != may {
					t.Fatalf("reset: error %v, the model allows it: %v", err, may)
				}
				if may {
					m.latched = false
				}
			case "shelve":
				d := time.Duration(rapid.IntRange(1, 300).Draw(t, "for")) * time.Second
				_, err := w.Shelve(at, wall, key, "x", d)
				may := m.where != "removed" && d <= rule.ShelveMax
				if (err == nil) != may {
					t.Fatalf("shelve for %v: error %v, the model allows it: %v", d, err, may)
				}
				if may {
					m.where, m.until = "shelved", at+d
				}
			case "unshelve":
				_, err := w.Unshelve(at, wall, key, "x")
				if (err == nil) != (m.where == "shelved") {
					t.Fatalf("unshelve: error %v while %q", err, m.where)
				}
				if err == nil {
					m.comesBack()
				}
			case "remove":
				if _, err := w.Remove(at, wall, key, "x", "changing the probe"); err != nil {
					t.Fatal(err)
				}
				m.where = "removed"
			case "restore":
				_, err := w.Restore(at, wall, key, "x")
				if (err == nil) != (m.where == "removed") {
					t.Fatalf("restore: error %v while %q", err, m.where)
				}
				if err == nil {
					m.comesBack()
				}
			}
			check(what)
		}
	})
}

// A watch that is rebuilt from the transitions that another one gave stands
// where that one stood, whatever happened before.
func TestRebuiltWatchStandsWhereItStood(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := NewWatch("pot", DefaultSettings())
		var journal []Notice
		f := facts(plan.StageCooling)
		f.Fragrance = true
		at := time.Duration(0)
		wall := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		keys := Catalogue()
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			at += time.Duration(rapid.IntRange(1, 90).Draw(t, "gap")) * time.Second
			f.At, f.Wall = at, wall.Add(at)
			key := rapid.SampledFrom(keys).Draw(t, "key").Key
			var ns []Notice
			switch rapid.IntRange(0, 6).Draw(t, "what") {
			case 0:
				ns, _ = w.Acknowledge(at, f.Wall, key, "x")
			case 1:
				ns, _ = w.Shelve(at, f.Wall, key, "x", time.Minute)
			case 2:
				ns, _ = w.Remove(at, f.Wall, key, "x", "why")
			case 3:
				ns, _ = w.Reset(at, f.Wall, key, "x")
			default:
				r := probe.Reading{Probe: "a", Role: probe.RolePot, Quality: probe.Good, Celsius: rapid.Float64Range(50, 130).Draw(t, "celsius")}
				f.Reading = &r
				ns = w.Eval(f)
			}
			journal = append(journal, ns...)
		}
		again := NewWatch("pot", DefaultSettings())
		again.Rebuild(journal)
		for _, r := range keys {
			a, b := w.byKey[r.Key], again.byKey[r.Key]
			if a.state != b.state {
				t.Errorf("%s stood at %s and is rebuilt at %s", r.Key, a.state, b.state)
			}
			if a.state == Shelved && a.until != b.until {
				t.Errorf("%s was shelved until %v and is rebuilt until %v", r.Key, a.until, b.until)
			}
		}
	})
}
