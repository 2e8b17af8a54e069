package forecast

import "math"

// bend keeps half-minute means of the curve and asks how hard it bends. Equal
// steps of time give the exponent that cooling toward the room would need: with
// drops d1, d2 over neighbouring steps and distances D1, D2 to the room at their
// middles, n = ln(d1/d2) / ln(D1/D2). Newton's law is 1, convection and
// radiation together at most 1.4, open water about 2. More than that on both
// halves of a stretch, and the wax is on its way to somewhere warmer.
type bend struct {
	t0, st, sc float64
	n          int
	mean       [bendRing]float64 // °C, newest last
	have       int
}

const (
	bendRing = 50
	bendStep = 30.0 // s
	bendMost = 2.7  // exponent that cooling toward a room may have
	bendSure = 0.5  // how well an exponent must be known to clear a curve
	bendLift = 1.3  // by how much k must rise for the jug to be elsewhere again
)

func (b *bend) add(t, c float64) {
	if b.n == 0 {
		b.t0 = t
	}
	for t >= b.t0+bendStep {
		if b.n < 2 || t >= b.t0+3*bendStep { // a pause: the steps are no longer equal
			*b = bend{t0: t}
			break
		}
		if b.have == bendRing {
			copy(b.mean[:], b.mean[1:])
			b.have--
		}
		// The mean stands for the middle of its readings; bring it to that of
		// the step.
		b.mean[b.have] = b.sc / float64(b.n)
		b.have++
		b.t0 += bendStep
		b.n, b.st, b.sc = 0, 0, 0
	}
	b.n++
	b.st += t - b.t0
	b.sc += c
}

// away reports whether the curve bends more than cooling toward room allows, or
// clearly doesn't; sd is the scatter of a mean, K. Often it is neither.
func (b *bend) away(room, sd float64) (away, clear bool) {
	for _, m := range [...]int{3, 5, 8, 12, 16} {
		i := b.have - 1 - 3*m
		if i < 0 {
			break
		}
		a := [4]float64{b.mean[i], b.mean[i+m], b.mean[i+2*m], b.mean[i+3*m]}
		d1, d2, d3 := a[0]-a[1], a[1]-a[2], a[2]-a[3]
		if d1 < 6*sd || d2 < 4*sd {
			continue
		}
		d3 = math.Max(d3, sd)
		l1 := math.Log((a[0] + a[1] - 2*room) / (a[1] + a[2] - 2*room))
		l2 := math.Log((a[1] + a[2] - 2*room) / (a[2] + a[3] - 2*room))
		n1, n2 := math.Log(d1/d2)/l1, math.Log(d2/d3)/l2
		s1 := sd * math.Sqrt(2/(d1*d1)+2/(d2*d2)) / l1
		s2 := sd * math.Sqrt(2/(d2*d2)+2/(d3*d3)) / l2
		// Both halves above, and their mean clearly so.
		if n1 > bendMost && n2 > bendMost && (n1+n2)/2-bendMost > 1.2*math.Hypot(s1, s2) {
			return true, false
		}
		clear = clear || (n1+n2)/2 < bendMost && math.Hypot(s1, s2)/2 < bendSure
	}
	return false, clear
}
