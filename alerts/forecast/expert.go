package forecast

import "math"

// The state of one expert, and the order of its entries everywhere.
const (
	sT  = iota // °C, what the probe will read without its noise
	sR         // K/s, rate of change
	sTa        // °C, equilibrium
	sN         // exponent of the law, 1 is Newton's
	sW         // K, wobble: plumes and stirring past the probe, gone in a minute
	sV         // K/s, its rate
	dim
)

// expert is one hypothesis about the pot, carried as a Gaussian over
// (T, r, Ta, n, w, w') and moved by an extended Kalman filter.
//
// The law dT/dt = -k |T-Ta|^n sign(T-Ta) is written without k, which is the one
// quantity nobody can look at: with r = dT/dt it says dr/dt = n r²/(T-Ta). The
// readings then measure T and r almost linearly, so that nothing has to be
// guessed to begin with and nothing can diverge.
type expert struct {
	law *law
	q   float64 // relative diffusion of the rate, 1/√s
	wob float64 // K, standard deviation of the wobble
	tau float64 // s, how long a wobble lasts
	pri float64 // prior weight
	x   [dim]float64
	p   [dim][dim]float64
	lw  float64 // log weight
	// Evidence that this expert has missed a change, against the quick one.
	miss float64
}

// law is the shape of an expert's hypothesis.
type law struct {
	name     string
	dir      Direction
	weight   float64 // prior weight
	n, nsd   float64 // prior of the exponent
	room     bool    // the equilibrium is the room's
	ta, tasd float64 // prior of the equilibrium when it is not the room's, °C
	k, ksd   float64 // 1/s at lessonGap and its relative scatter, when learnt; 0 otherwise
	drift    float64 // variance that the equilibrium gains, K²/s
	fade     float64 // variance that the exponent gains, 1/s, up to its prior's
}

// minGap is how near the equilibrium a wax may come before the curvature of the
// law is held, K: it divides by T-Ta.
const minGap = 0.5

// gap is T-Ta, kept on the side that the law works from.
func (x *expert) gap() float64 {
	d := x.x[sT] - x.x[sTa]
	if x.law.dir == Cooling {
		return math.Max(d, minGap)
	}
	return math.Min(d, -minGap)
}

// advance moves the expert dt seconds ahead. drift is the variance that the
// equilibrium gains per second, K²/s.
func (x *expert) advance(dt, drift float64) {
	for dt > maxStep {
		x.step(maxStep, drift)
		dt -= maxStep
	}
	x.step(dt, drift)
}

const maxStep = 20.0 // s

func (x *expert) step(dt, drift float64) {
	if dt <= 0 {
		return
	}
	r, n := x.x[sR], x.x[sN]
	d := x.gap()
	var a, b, c, e float64 // partial derivatives of dr/dt
	if r*d < 0 {
		s := r / d // -k, effective
		a, b, c, e = -n*s*s, 2*n*s, n*s*s, r*s
		// Exact path of the mean: d shrinks by g, r by g^n.
		m := n - 1
		var g float64
		if math.Abs(m) < 1e-6 {
			g = math.Exp(s * dt)
		} else {
			base := 1 - m*s*dt
			if base < 1e-6 {
				base = 1e-6
			}
			g = math.Exp(-math.Log(base) / m)
		}
		g = math.Max(g, 1e-4)
		x.x[sT] += d*g - d
		x.x[sR] = r * math.Pow(g, n)
	} else {
		x.x[sT] += r * dt
	}
	h := dt * dt / 2
	// Transition rows of T and r; Ta and n stand still, w decays.
	f0 := [sW]float64{1 + a*h, dt + b*h, c * h, e * h}
	f1 := [sW]float64{
		a*dt + b*a*h,
		1 + b*dt + (a+b*b)*h,
		c*dt + b*c*h,
		e*dt + b*e*h,
	}
	p := &x.p
	var u0, u1 [dim]float64
	for j := 0; j < dim; j++ {
		u0[j] = f0[0]*p[0][j] + f0[1]*p[1][j] + f0[2]*p[2][j] + f0[3]*p[3][j]
		u1[j] = f1[0]*p[0][j] + f1[1]*p[1][j] + f1[2]*p[2][j] + f1[3]*p[3][j]
	}
	p00 := u0[0]*f0[0] + u0[1]*f0[1] + u0[2]*f0[2] + u0[3]*f0[3]
	p01 := u0[0]*f1[0] + u0[1]*f1[1] + u0[2]*f1[2] + u0[3]*f1[3]
	p11 := u1[0]*f1[0] + u1[1]*f1[1] + u1[2]*f1[2] + u1[3]*f1[3]
	q := x.q * (math.Abs(r) + rateFloor)
	q *= q
	p[0][0] = p00 + q*dt*dt*dt/3
	p[0][1] = p01 + q*dt*dt/2
	p[1][0] = p[0][1]
	p[1][1] = p11 + q*dt
	p[0][2], p[2][0] = u0[2], u0[2]
	p[0][3], p[3][0] = u0[3], u0[3]
	if x.tau > 0 {
		x.stray(dt, u0[sW], u0[sV], u1[sW], u1[sV])
	}
	p[1][2], p[2][1] = u1[2], u1[2]
	p[1][3], p[3][1] = u1[3], u1[3]
	p[2][2] += drift * dt
	if f := x.law.fade; f > 0 {
		p[3][3] = math.Max(p[3][3], math.Min(p[3][3]+f*dt, x.law.nsd*x.law.nsd))
	}
}

// stray moves the wobble and its covariances dt seconds ahead; ab are those of T
// and r with it, moved already on the side of T and r. It is a Gaussian process
// with the Matérn-3/2 covariance wob² (1 + h/tau) exp(-h/tau): smooth, as plumes
// are through a probe's sleeve.
func (x *expert) stray(dt, tw, tv, rw, rv float64) {
	l := 1 / x.tau
	g := math.Exp(-l * dt)
	a, b, c, d := g*(1+l*dt), g*dt, -g*l*l*dt, g*(1-l*dt)
	w, v := x.x[sW], x.x[sV]
	x.x[sW], x.x[sV] = a*w+b*v, c*w+d*v
	p := &x.p
	both := func(i int, w, v float64) {
		p[i][sW], p[i][sV] = a*w+b*v, c*w+d*v
		p[sW][i], p[sV][i] = p[i][sW], p[i][sV]
	}
	both(sT, tw, tv)
	both(sR, rw, rv)
	both(sTa, p[sTa][sW], p[sTa][sV])
	both(sN, p[sN][sW], p[sN][sV])
	// Stationary covariance, and what of it has gone.
	sw := x.wob * x.wob
	sv := sw * l * l
	ww, wv, vv := p[sW][sW]-sw, p[sW][sV], p[sV][sV]-sv
	p[sW][sW] = sw + a*a*ww + 2*a*b*wv + b*b*vv
	p[sV][sV] = sv + c*c*ww + 2*c*d*wv + d*d*vv
	p[sW][sV] = a*c*ww + (a*d+b*c)*wv + b*d*vv
	p[sV][sW] = p[sW][sV]
}

// rateFloor keeps an expert alive while the wax stands still, K/s.
const rateFloor = 5e-4

// measure takes in a reading of one entry of the state with variance v, and
// returns the log likelihood of the reading. Readings further off than clip
// standard deviations pull no harder than that.
func (x *expert) measure(i int, y, v, clip float64) float64 {
	p := &x.p
	s := p[i][i] + v
	in := y - x.x[i]
	lim := clip * math.Sqrt(s)
	if in > lim {
		in = lim
	} else if in < -lim {
		in = -lim
	}
	var k [dim]float64
	for j := 0; j < dim; j++ {
		k[j] = p[j][i] / s
	}
	for j := 0; j < dim; j++ {
		x.x[j] += k[j] * in
	}
	row := p[i]
	for a := 0; a < dim; a++ {
		for b := a; b < dim; b++ {
			w := p[a][b] - k[a]*row[b]
			p[a][b], p[b][a] = w, w
		}
	}
	x.tidy()
	return -0.5 * (in*in/s + math.Log(s))
}

// read takes in a reading of the pot with variance v: temperature and wobble.
func (x *expert) read(y, v, clip float64) float64 {
	if x.tau == 0 {
		return x.measure(sT, y, v, clip)
	}
	p := &x.p
	var row [dim]float64
	for j := 0; j < dim; j++ {
		row[j] = p[j][sT] + p[j][sW]
	}
	s := row[sT] + row[sW] + v
	in := y - x.x[sT] - x.x[sW]
	lim := clip * math.Sqrt(s)
	in = math.Max(-lim, math.Min(lim, in))
	for j := 0; j < dim; j++ {
		x.x[j] += row[j] / s * in
	}
	for a := 0; a < dim; a++ {
		k := row[a] / s
		for b := a; b < dim; b++ {
			w := p[a][b] - k*row[b]
			p[a][b], p[b][a] = w, w
		}
	}
	x.tidy()
	return -0.5 * (in*in/s + math.Log(s))
}

// steepest is the greatest exponent: open water, whose vapour pressure grows fast
// with the temperature, is near 2.
const steepest = 2.5

// tidy keeps the state where the law has meaning.
func (x *expert) tidy() {
	for i := 0; i < sW; i++ {
		if x.p[i][i] < 1e-14 {
			x.p[i][i] = 1e-14
		}
	}
	if x.law.nsd > 0 {
		x.x[sN] = math.Min(math.Max(x.x[sN], math.Max(0, x.law.n-4*x.law.nsd)), math.Min(x.law.n+4*x.law.nsd, steepest))
	}
	if x.law.dir == Cooling {
		lo := -10.0
		if !x.law.room {
			lo = 12
		}
		x.x[sTa] = math.Max(x.x[sTa], lo)
	} else if x.law.dir == Heating {
		x.x[sTa] = math.Min(x.x[sTa], 400)
	}
}

// passage is one expert's crossing time of a temperature: its median and the
// derivatives with respect to the state.
type passage struct {
	t float64
	g [dim]float64
}

// crossing returns when the mean path of (T, r, Ta, n) passes target, s from
// now. ok is false when it never does.
//
// With D = T-Ta, Dc = target-Ta, m = n-1 and x = D/Dc the law gives
// t = -(D/r) (x^m - 1)/m, which is Newton's -(D/r) ln x at m = 0.
func crossing(T, r, Ta, n, target float64) (p passage, ok bool) {
	d, dc := T-Ta, target-Ta
	if r == 0 || r*d >= 0 || dc*d <= 0 || math.Abs(dc) < 1e-9 {
		return p, false
	}
	x := d / dc
	lx := math.Log(x)
	m := n - 1
	u := m * lx
	if u > 50 {
		return p, false
	}
	var phi, dphi float64 // (x^m-1)/m and its derivative by m
	if math.Abs(u) < 1e-4 {
		phi = lx * (1 + u/2 + u*u/6)
		dphi = lx * lx * (0.5 + u/3)
	} else {
		e := math.Expm1(u)
		phi = e / m
		dphi = (lx*(e+1) - phi) / m
	}
	xm := math.Exp(u)
	p.t = -d * phi / r
	p.g[sT] = -(phi + xm) / r
	p.g[sR] = -p.t / r
	p.g[sTa] = (phi - xm*(x-1)) / r
	p.g[sN] = -d * dphi / r
	return p, true
}

// path returns where the mean path of (T, r, Ta, n) is in s seconds, and the
// rate there.
func path(T, r, Ta, n, s float64) (temp, rate float64) {
	d := T - Ta
	if r*d >= 0 {
		return T + r*s, r
	}
	k := r / d
	m := n - 1
	var g float64
	if math.Abs(m) < 1e-6 {
		g = math.Exp(k * s)
	} else {
		base := 1 - m*k*s
		if base < 1e-6 {
			return Ta, 0
		}
		g = math.Exp(-math.Log(base) / m)
	}
	return Ta + d*g, r * math.Pow(g, n)
}

// quad is gᵀ P g.
func (x *expert) quad(g *[dim]float64) float64 {
	var v float64
	for i := 0; i < dim; i++ {
		var s float64
		for j := 0; j < dim; j++ {
			s += x.p[i][j] * g[j]
		}
		v += s * g[i]
	}
	return math.Max(v, 0)
}
