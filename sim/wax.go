package sim

import "math"

// The enthalpy method (Voller and Cross; see Incropera for the lumped form): the
// heat in the jug is what is kept, and the temperature follows from it and from
// the share of the wax that is liquid,
//
//	e(T, f) = (1-f) cs T + f (cl T + L0),  L0 = L - (cl - cs) Tm
//
// per kilogram, so that melting at Tm, the middle of the range, takes L. The
// share moves towards its equilibrium with a short memory; clear liquid does not
// begin to set until it is undercooled, then it warms by its own latent heat.

// settling is the memory of crystallisation and melting, s.
const settling = 20.0

func (p *Pot) latentOffset() float64 {
	w := &p.c.Wax
	return w.Latent - (w.HeatLiquid-w.HeatSolid)*(w.Solidus+w.Liquidus)/2
}

// equilibrium is the liquid share at a temperature, given all the time it needs.
func (p *Pot) equilibrium(t float64) float64 {
	w := &p.c.Wax
	if w.Liquidus <= w.Solidus {
		if t >= w.Liquidus {
			return 1
		}
		return 0
	}
	return min(max((t-w.Solidus)/(w.Liquidus-w.Solidus), 0), 1)
}

// heatOf is the heat capacity of what is in the jug at the present liquid share, J/K.
func (p *Pot) heatOf() float64 {
	w := &p.c.Wax
	return p.waxKg*((1-p.liquid)*w.HeatSolid+p.liquid*w.HeatLiquid) + p.oilKg*p.c.OilHeat
}

// enthalpyAt is the heat of wax and oil at a temperature and the present liquid share, J.
func (p *Pot) enthalpyAt(t float64) float64 {
	return p.heatOf()*t + p.waxKg*p.liquid*p.latentOffset()
}

// temperature inverts enthalpyAt; an empty jug keeps its last temperature.
func (p *Pot) temperature() float64 {
	c := p.heatOf()
	if c <= 0 {
		return p.jugT
	}
	return (p.enthalpy - p.waxKg*p.liquid*p.latentOffset()) / c
}

func (p *Pot) freezeOrMelt() {
	if p.waxKg <= 0 {
		return
	}
	t := p.temperature()
	want := p.equilibrium(t)
	if p.liquid >= 1 && t > p.c.Wax.Liquidus-p.c.Wax.Undercooling {
		return // clear liquid: nothing to grow on yet
	}
	if want == p.liquid {
		return
	}
	p.liquid += (want - p.liquid) * (1 - math.Exp(-p.h/settling))
	if p.liquid > 0.9999 && want == 1 {
		p.liquid = 1
	}
	if p.liquid < 1e-4 && want == 0 {
		p.liquid = 0
	}
}
