package plan

import (
	"fmt"
	"math"
	"time"

	"example.org/meltstation/alerts/plan/units"
)

// PourPlan sets how long the pouring of one melt takes against how long its pour
// window stays open.
type PourPlan struct {
	NeedSeconds   float64 `json:"need_seconds"`             // to fill the containers of the longest melt
	WindowSeconds float64 `json:"window_seconds,omitempty"` // that the window stays open; 0 = not known
	LastCelsius   float64 `json:"last_celsius,omitempty"`   // expected in the jug at the last container; 0 = not known
	JarsInTime    int     `json:"jars_in_time,omitempty"`   // of the longest melt, in pour order, before the window closes
	Jars          int     `json:"jars"`                     // of the longest melt
	GuessLow      float64 `json:"guess_low,omitempty"`      // s, of a window that is not known: from the size of the melt alone
	GuessHigh     float64 `json:"guess_high,omitempty"`
	Advice        Advice  `json:"advice"`
	Melts         int     `json:"melts,omitempty"` // to split into, when Advice is split
	Text          string  `json:"text"`
}

// Advice is what to do about the time pouring takes.
type Advice string

// The kinds of advice.
const (
	AdviceUnknown Advice = "unknown" // it is not known how long the window stays open
	AdviceFits    Advice = "fits"
	AdviceTight   Advice = "tight"  // fits, with less than a fifth of the window to spare
	AdviceSplit   Advice = "split"  // make it in more melts
	AdviceReheat  Advice = "reheat" // warm it up once in between
)

// Cooling is how a jug of wax cools on the bench: Newton's law with rate K
// toward Room, as the forecast learns it from earlier batches.
type Cooling struct {
	K    float64 `json:"k"`    // 1/s, of the full jug
	Room float64 `json:"room"` // °C
}

// WindowOpen returns how long an untouched jug takes from the top of the pour
// window to its bottom: ln((high-room)/(low-room))/k, Newton's law of cooling. It
// is false when the jug never gets that cold, or when nothing is known.
func (t Thresholds) WindowOpen(c Cooling) (time.Duration, bool) {
	if c.K <= 0 || t.PourLow <= c.Room || t.PourHigh <= t.PourLow {
		return 0, false
	}
	s := math.Log((t.PourHigh-c.Room)/(t.PourLow-c.Room)) / c.K
	if !finite(s) || s > 1e6 {
		return 0, false
	}
	return time.Duration(s * float64(time.Second)), true
}

// EmptyingTemperature returns the temperature left in a jug that starts at
// celsius and is poured out evenly over d until the fraction left remains.
//
// A jug that empties cools faster. It is taken as a cylinder as deep as it is
// wide whose wall, floor and surface all lose heat alike, so that with the
// fraction x left the rate is K (2 + 1/x) / 3: an estimate from geometry, not a
// measurement.
func (c Cooling) EmptyingTemperature(celsius float64, d time.Duration, left float64) float64 {
	left = math.Min(1, math.Max(left, 0.02))
	sec := d.Seconds()
	if sec <= 0 || c.K <= 0 {
		return celsius
	}
	// The rate integrates in closed form: with x falling linearly from 1 to left,
	// the mean of 1/x is ln(1/left)/(1-left).
	mean := 1.0
	if left < 1 {
		mean = math.Log(1/left) / (1 - left)
	}
	return c.Room + (celsius-c.Room)*math.Exp(-c.K*sec*(2+mean)/3)
}

// PourTime returns how long it takes to fill the containers of one melt.
func (m Melt) PourTime() time.Duration {
	return time.Duration(m.PourSeconds * float64(time.Second))
}

// PourPlan works out whether the pour window stays open until the last
// container is filled. window is how long it stays open from the start of
// pouring; zero takes it from cooling, and without either the plan says so.
// Pouring starts at the top of the window.
func (s Sheet) PourPlan(window time.Duration, cooling *Cooling) PourPlan {
	var p PourPlan
	longest := -1
	for i, m := range s.Melts {
		if longest < 0 || m.PourSeconds > p.NeedSeconds {
			longest, p.NeedSeconds = i, m.PourSeconds
		}
	}
	if longest < 0 {
		return PourPlan{Advice: AdviceUnknown, Text: "There is nothing to pour."}
	}
	m := s.Melts[longest]
	for _, c := range m.Containers {
		p.Jars += c.Count
	}
	need := m.PourTime()
	if cooling != nil && m.TotalGrams > 0 {
		left := math.Max(0, 1-mixNeeded(m.Containers, 0)/m.TotalGrams)
		p.LastCelsius = cooling.EmptyingTemperature(s.Thresholds.PourHigh, need, left)
		if window == 0 {
			// Time until an emptying jug is at the bottom of the window, by bisection
			// over the share of the pour that is done.
			window = cooling.emptyingWindow(s.Thresholds, need, left)
		}
	}
	if window <= 0 {
		p.Advice = AdviceUnknown
		p.Text = fmt.Sprintf("Filling %s takes about %s. How long the pour window stays open is not known yet: after the first batch it is.",
			jarWords(p.Jars), units.Duration(roundTime(need)))
		fast, slow := bareJug(m.TotalGrams)
		left := 0.0
		if m.TotalGrams > 0 {
			left = math.Max(0, 1-mixNeeded(m.Containers, 0)/m.TotalGrams)
		}
		if t := s.Thresholds; fast.K > 0 && t.PourLow > fast.Room && t.PourHigh > t.PourLow {
			low, high := fast.emptyingWindow(t, need, left), slow.emptyingWindow(t, need, left)
			p.GuessLow, p.GuessHigh = low.Seconds(), high.Seconds()
			p.Text = fmt.Sprintf("Filling %s takes about %s. How long the pour window stays open is known after the first batch; by the size of the melt, a bare jug in a room of %s keeps it open between %s and %s.",
				jarWords(p.Jars), units.Duration(roundTime(need)), units.Temperature(fast.Room, s.Show.Temperature, 0), units.Duration(roundTime(low)), units.Duration(roundTime(high)))
			switch {
			case need > high:
				p.Text += " That is too short for all of them: pour some, warm the wax again and pour the rest, or make it in more melts."
			case need > low:
				p.Text += " That may be too short for all of them: be ready to warm the wax in between."
			}
		}
		return p
	}
	p.WindowSeconds = window.Seconds()
	var before float64
	for _, o := range s.PourOrder { // in pour order, how many jars are in time
		if o.Melt != longest+1 || o.TopOff || o.Count == 0 {
			continue
		}
		if each := o.Seconds / float64(o.Count); each > 0 {
			n := math.Floor((p.WindowSeconds-before)/each + 1e-9)
			p.JarsInTime += int(math.Min(math.Max(n, 0), float64(o.Count)))
		} else {
			p.JarsInTime += o.Count
		}
		before += o.Seconds
	}
	open := units.Duration(roundTime(window))
	switch ratio := p.NeedSeconds / p.WindowSeconds; {
	case ratio <= 0.8:
		p.Advice = AdviceFits
		p.Text = fmt.Sprintf("Filling %s takes about %s; the pour window stays open about %s.", jarWords(p.Jars), units.Duration(roundTime(need)), open)
	case ratio <= 1:
		p.Advice = AdviceTight
		p.Text = fmt.Sprintf("Filling %s takes about %s and the pour window stays open about %s: only just. Have everything to hand and start at its top.", jarWords(p.Jars), units.Duration(roundTime(need)), open)
	default:
		if open == units.Duration(roundTime(need)) {
			open = "a little less"
		} else {
			open = "only about " + open
		}
		parts := int(math.Ceil(ratio / 0.8))
		p.Melts = len(s.Melts) * parts
		if ratio <= 1.6 {
			p.Advice = AdviceReheat
			p.Text = fmt.Sprintf("Filling %s takes about %s, but the pour window stays open %s: the wax is too cold after %s. Then warm it in the bath above %s, below scent-add, and pour the rest; or make it in %d melts.",
				jarWords(p.Jars), units.Duration(roundTime(need)), open, ordinalJars(p.JarsInTime), s.deg(s.Thresholds.Pour), p.Melts)
		} else {
			p.Advice = AdviceSplit
			p.Text = fmt.Sprintf("Filling %s takes about %s, but the pour window stays open %s: the wax is too cold after %s. Make it in %d melts.",
				jarWords(p.Jars), units.Duration(roundTime(need)), open, ordinalJars(p.JarsInTime), p.Melts)
		}
	}
	return p
}

// bareJug is how fast, and how slowly, so much molten wax may be cooling in a jug of
// which nothing is known, in a room of 21 °C: a cylinder as deep as it is wide that
// loses heat all round, k = hA/(mc). The specific heat of paraffin is 2.14 to
// 2.9 J/(g K) (Freund and Mózes, Paraffin Products, 1982); its loss to still air by
// convection and radiation together is taken as 6 to 14 W/(m² K), common practice,
// no source. The density is 0.88 g/ml.
func bareJug(grams float64) (fast, slow Cooling) {
	if !(grams > 0) {
		return
	}
	const room = 21
	litres := grams / 0.88 / 1000
	d := math.Cbrt(4 * litres / 1000 / math.Pi) // m
	area := 1.5 * math.Pi * d * d               // wall, floor and surface
	return Cooling{K: 14 * area / (grams * 2.14), Room: room}, Cooling{K: 6 * area / (grams * 2.9), Room: room}
}

// emptyingWindow is how long the window stays open in a jug that is poured out
// over need; after that the little that is left is of no account.
func (c Cooling) emptyingWindow(t Thresholds, need time.Duration, left float64) time.Duration {
	if c.EmptyingTemperature(t.PourHigh, need, left) >= t.PourLow {
		open, ok := t.WindowOpen(c)
		if !ok {
			return 365 * 24 * time.Hour // it never gets that cold
		}
		return max(open, need)
	}
	lo, hi := 0.0, 1.0
	for range 50 {
		mid := (lo + hi) / 2
		d := time.Duration(mid * float64(need))
		if c.EmptyingTemperature(t.PourHigh, d, 1-mid*(1-left)) >= t.PourLow {
			lo = mid
		} else {
			hi = mid
		}
	}
	return time.Duration(lo * float64(need))
}

func roundTime(d time.Duration) time.Duration {
	switch {
	case d < 2*time.Minute:
		return d.Round(5 * time.Second)
	case d < time.Hour:
		return d.Round(time.Minute)
	}
	return d.Round(5 * time.Minute)
}

func jarWords(n int) string {
	if n == 1 {
		return "1 container"
	}
	return fmt.Sprintf("%d containers", n)
}

func ordinalJars(n int) string {
	switch n {
	case 0:
		return "less than one container"
	case 1:
		return "the first container"
	}
	return fmt.Sprintf("the first %d", n)
}
