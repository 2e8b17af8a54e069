// Package forecast says when a pot of wax will reach a temperature, how sure
// that is, and what the pot is going through. It is pure: time comes in as
// seconds on the caller's own line, there is no clock and no I/O.
//
// # The law
//
// Newton's law of cooling, dT/dt = -k (T - Ta), holds in a jug in hot water as it
// does on a bench, with another equilibrium Ta. Natural convection and radiation
// make k fall with the difference, and evaporation more so; a power covers them:
//
//	dT/dt = -k |T - Ta|^n sign(T - Ta)     n = 1 Newton, 1.2 air, about 2 open water, 0 constant power
//
// k is the quantity nobody can look at, so it is taken out. With r = dT/dt,
//
//	dr/dt = n r² / (T - Ta)
//
// and the state (T, r, Ta, n) is one in which the readings measure T and r almost
// linearly. Nothing has to be guessed to begin with and nothing can diverge. The
// crossing time of a target has a closed form: with D = T-Ta, Dc = target-Ta,
// x = D/Dc and m = n-1
//
//	t = -(D/r) (x^m - 1)/m                 -(D/r) ln x for Newton
//
// and so have its derivatives.
//
// # The experts
//
// Early on Ta, n and k can't be told apart from the curve; what is known
// beforehand decides. Each expert is one hypothesis: a law with its priors (see
// [Engine.Know]: Newton's toward the room; n 1.2 ± 0.1 for jugs in air; n 1.7 ±
// 0.4, drifting, for open liquids; an equilibrium somewhere else, such as a bath left warm;
// for heating a bath that boils, any other bath, constant power; what earlier
// batches in the jug followed), and a manner of straying from it: the rate
// wanders by so much, or the reading wobbles as plumes pass the probe (a
// Gaussian process with Matérn-3/2 covariance, its size learnt). Each is an
// extended Kalman filter (Anderson and Moore, Optimal Filtering, 1979), and all
// are weighed by how well they foretold the readings, that is by Bayes' rule,
// with evidence that fades over 40 minutes. The sensor's scatter and digit are
// learnt from second differences; fast sensors are averaged to a second, coarse
// ones over the time the wax takes to cross a digit.
//
// The forecast is the mixture: for each expert the closed form at nodes of its
// equilibrium's distribution, log-normal around each with the variance
// gᵀPg/t² + q²t/3 (state, and what the rate may wander until then). Eta, Lo and
// Hi are its 50, 5 and 95 % quantiles given that the target is reached; PReach is
// the weight of what reaches it. Below 0.95 (0.93 while heating) no time is given.
//
// # Changes
//
// An expert that a quick one has beaten by 12 nats since the best moment to
// change (a CUSUM of likelihood ratios; Page, Biometrika 41, 1954) missed a change of
// regime. It takes over where the quick one sees the wax and how fast it moves,
// keeps what it knows of the law, and pays the price of a change. Readings that
// fit no expert are put aside until those after them say what they were: a wild
// value, a probe out of the wax and back, or a step, which the energy balance of
// fragrance and wax tells from others when the masses are known. 85.000 °C is a
// temperature like any other here.
//
// Two rules go beyond the experts. A curve that bends more than cooling toward a
// room allows (three equal steps give the exponent) is on its way to somewhere
// warmer, until it clearly bends less or goes faster. Wax that all but stops cooling between 28 and 72 °C is setting: its
// heat of fusion holds it (ASTM D87 rests on that plateau), and no time is given;
// the degree it may warm by itself is not reheating. While wax melts in the bath
// no time is given either, nor before it melts.
//
// And one is for what no curve tells beforehand: toward its congealing point wax
// may thicken, skin over and give off heat, and so come late. A share of the
// forecast for targets down there is later by a few parts in a hundred, which
// draws the interval out on the late side.
//
// # Calibration
//
// Forecasts of 1, 4 and 15 minutes ago are held against what came (a running
// hindcast), and widen or narrow the intervals within bounds. What is fitted to
// simulated pots (the prior weights, how much the rate wanders, how much wider
// than the experts' own the intervals are) was fitted to one family of them,
// package sim/families Tuning. The family it is scored on has other physics and
// seeds, and no constant was searched for on it; but its results were seen while
// the engine was built, and some choices (when a change counts as one, the extra
// width at short leads, the weight of an equilibrium elsewhere) were made with
// them in view. The two recorded curves of water served the same way. Take the
// scores as good, not as blind.
//
// # Scoring
//
// The benchmarks are the scoreboard: absolute error at set leads, coverage and
// width of the 90 % interval, pinball loss (its mean over quantiles is the CRPS;
// Gneiting and Raftery, JASA 102, 2007), beside a straight line through the last
// two minutes and a least-squares refit of Newton's law by variable projection
// (package newton; Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973), and the
// Cramér-Rao bound (Kay, Estimation Theory, 1993) where the truth is Newton's law
// and white noise.
package forecast
