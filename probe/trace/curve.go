package trace

import (
	"context"
	"math"
	"time"

	"example.org/meltstation/probe"
)

// CurveQuery says which part of a batch's curve is wanted, and how finely.
type CurveQuery struct {
	From, To time.Duration // station time, both included; To 0 = up to the newest
	Points   int           // at most about so many for each probe; 0 = 1000, negative = every reading
	Role     probe.Role    // "" = all
	Probe    string        // "" = all
}

// Series is the curve of one probe. Between two points with a gap between them
// no line is to be drawn.
type Series struct {
	Probe  string
	Role   probe.Role
	Pot    string
	Count  int // readings behind the points
	Bad    int // readings among them that were suspect; they have no point
	Points []Point
}

// Point is one reading of a curve.
type Point struct {
	Seq     int64
	At      time.Duration // station time
	Wall    time.Time     // UTC
	Celsius float64       // NaN: from here to the next point nothing is known
}

// Curve returns the curves of a batch, thinned so that no peak is lost: of each
// of Points/2 equal stretches of time the lowest and the highest good reading
// remain, and the first and last of all. A stretch with suspect readings alone
// is one point without a temperature.
func (s *Store) Curve(ctx context.Context, batch string, q CurveQuery) ([]Series, error) {
	if q.Points == 0 {
		q.Points = 1000
	}
	if q.To == 0 {
		q.To = math.MaxInt64
	}
	var all []*curve
	byKey := map[channelKey]*curve{}
	var last *channelKey
	var lastCurve *curve
	for it, err := range s.items(ctx, batch, 0) {
		if err != nil {
			return nil, s.unread(err, "reading the curve of batch %q", batch)
		}
		if it.event != nil || it.at < q.From || it.at > q.To ||
			q.Role != "" && it.channel.role != q.Role || q.Probe != "" && it.channel.probe != q.Probe {
			continue
		}
		if it.channel != last {
			// A room probe is one line, whether the batch or the station owns a reading.
			k := channelKey{probe: it.channel.probe, role: it.channel.role, pot: it.channel.pot}
			if byKey[k] == nil {
				byKey[k] = &curve{Series: Series{Probe: k.probe, Role: k.role, Pot: k.pot}}
				all = append(all, byKey[k])
			}
			last, lastCurve = it.channel, byKey[k]
		}
		lastCurve.readings = append(lastCurve.readings, it.reading)
	}
	from, to := time.Duration(math.MaxInt64), time.Duration(math.MinInt64)
	for _, c := range all {
		for _, r := range c.readings {
			from, to = min(from, r.at), max(to, r.at)
		}
	}
	list := make([]Series, len(all))
	for i, c := range all {
		c.thin(from, to, q.Points)
		list[i] = c.Series
	}
	return list, nil
}

type curve struct {
	Series
	readings []reading
}

func (r reading) good() bool { return r.quality == probe.Good && !math.IsNaN(r.celsius) }

func (r reading) point() Point {
	p := Point{Seq: r.seq, At: r.at, Wall: time.Unix(0, r.wall).UTC(), Celsius: r.celsius}
	if !r.good() {
		p.Celsius = math.NaN()
	}
	return p
}

// thin fills the points from the readings, which lie in from … to.
func (c *curve) thin(from, to time.Duration, points int) {
	c.Count = len(c.readings)
	for _, r := range c.readings {
		if !r.good() {
			c.Bad++
		}
	}
	if points < 0 || len(c.readings) <= points {
		for i, r := range c.readings {
			// One point is enough for a gap.
			if r.good() || i == 0 || c.readings[i-1].good() {
				c.Points = append(c.Points, r.point())
			}
		}
		return
	}
	buckets := float64(max(points/2, 1))
	width := float64(to-from) + 1
	bucket := func(r reading) int { return int(float64(r.at-from) / width * buckets) }
	for len(c.readings) > 0 {
		n, b := 1, bucket(c.readings[0])
		for n < len(c.readings) && bucket(c.readings[n]) == b {
			n++
		}
		c.stretch(c.readings[:n], n == len(c.readings))
		c.readings = c.readings[n:]
	}
}

// stretch adds the points of one stretch of time.
func (c *curve) stretch(rs []reading, isLast bool) {
	lo, hi, end := -1, -1, -1
	for i, r := range rs {
		if !r.good() {
			continue
		}
		if lo < 0 || r.celsius < rs[lo].celsius {
			lo = i
		}
		if hi < 0 || r.celsius > rs[hi].celsius {
			hi = i
		}
		end = i
	}
	if lo < 0 {
		if n := len(c.Points); n == 0 || !math.IsNaN(c.Points[n-1].Celsius) {
			c.Points = append(c.Points, rs[0].point())
		}
		return
	}
	picks := []int{min(lo, hi), max(lo, hi)}
	if len(c.Points) == 0 {
		for i, r := range rs {
			if r.good() {
				picks = append([]int{i}, picks...)
				break
			}
		}
	}
	if isLast {
		picks = append(picks, end)
	}
	before := -1
	for _, i := range picks {
		if i != before {
			c.Points = append(c.Points, rs[i].point())
		}
		before = i
	}
}
