package sim

import (
	"context"
	"fmt"
	"sync"
	"time"

	"example.org/meltstation/probe"
)

// Bench is a pot with thermometers and a clock: physics moves on to the present
// moment whenever somebody looks. It may be used by several goroutines.
type Bench struct {
	mu      sync.Mutex
	now     func() time.Time
	last    time.Time
	start   time.Time
	pot     *Pot
	sensors map[probe.Role]*wired
}

// wired is a sensor and when it was last read.
type wired struct {
	*Sensor
	readAt time.Time
	lifted bool
}

// NewBench sets a pot up with one sensor for each role given. The pot's time
// begins at now().
func NewBench(c Config, now func() time.Time, sensors map[probe.Role]SensorConfig) *Bench {
	b := &Bench{now: now, pot: NewPot(c), sensors: map[probe.Role]*wired{}}
	b.start = now()
	b.last = b.start
	for role, sc := range sensors {
		b.sensors[role] = &wired{Sensor: NewSensor(sc), readAt: b.start}
	}
	return b
}

// StandardSensors is a DS18B20 in the wax, one in the bath and one in the room.
func StandardSensors(seed uint64) map[probe.Role]SensorConfig {
	room := DS18B20(seed*3 + 2)
	room.Lag = 40 * time.Second // in air
	return map[probe.Role]SensorConfig{
		probe.RolePot:  DS18B20(seed * 3),
		probe.RoleBath: DS18B20(seed*3 + 1),
		probe.RoleRoom: room,
	}
}

// advance brings the physics up to the present moment. A clock that went back
// is waited for.
func (b *Bench) advance() time.Time {
	t := b.now()
	if d := t.Sub(b.last); d > 0 {
		b.pot.Step(d)
		b.last = t
	}
	return t
}

// Do brings the pot to the present and lets f act on it. f must not keep the
// pot, nor call the bench.
func (b *Bench) Do(f func(*Pot)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.advance()
	f(b.pot)
}

// With lets f act on the sensor of a role; it reports false when there is none.
func (b *Bench) With(role probe.Role, f func(*Sensor)) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	w, ok := b.sensors[role]
	if ok {
		f(w.Sensor)
	}
	return ok
}

// Lift takes the wax probe out of the wax, or puts it back: out of it, it reads
// the warm air above the pot.
func (b *Bench) Lift(on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if w, ok := b.sensors[probe.RolePot]; ok {
		b.read(w, probe.RolePot) // up to now it was where it was
		w.lifted = on
		w.Lift(on)
		w.move(b.surroundings(w, probe.RolePot))
	}
}

// Now is the bench's own time.
func (b *Bench) Now() time.Time { return b.now() }

// Read is what the sensor of a role shows now.
func (b *Bench) Read(role probe.Role) (float64, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	w, ok := b.sensors[role]
	if !ok {
		return 0, fmt.Errorf("simulated bench: no probe in the %s: %w", role, probe.ErrNoDevice)
	}
	return b.read(w, role)
}

func (b *Bench) read(w *wired, role probe.Role) (float64, error) {
	t := b.advance()
	dt := t.Sub(w.readAt)
	w.readAt = t
	return w.Read(dt, b.surroundings(w, role))
}

// surroundings is the true temperature of what a probe is in.
func (b *Bench) surroundings(w *wired, role probe.Role) float64 {
	switch {
	case role == probe.RolePot && w.lifted:
		return b.pot.Room() + 0.1*max(b.pot.Wax()-b.pot.Room(), 0)
	case role == probe.RolePot:
		return b.pot.Wax()
	case role == probe.RoleBath:
		return b.pot.Bath()
	default:
		return b.pot.Room()
	}
}

// Opener gives the probe of a role to a supervisor. Opening fails while the
// probe is unplugged or when the bench has none in that role.
func (b *Bench) Opener(role probe.Role) probe.Opener {
	return func(ctx context.Context) (probe.Source, error) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		w, ok := b.sensors[role]
		if !ok {
			return nil, fmt.Errorf("simulated bench: no probe in the %s: %w", role, probe.ErrNoDevice)
		}
		if w.unplugged() {
			return nil, fmt.Errorf("simulated bench: the probe in the %s is unplugged: %w", role, probe.ErrNoDevice)
		}
		return &source{bench: b, role: role}, nil
	}
}

// source is a probe of the bench as a supervisor sees it.
type source struct {
	bench *Bench
	role  probe.Role
}

var _ probe.Source = (*source)(nil)

func (s *source) Read(ctx context.Context) (probe.Sample, error) {
	if err := ctx.Err(); err != nil {
		return probe.Sample{}, err
	}
	c, err := s.bench.Read(s.role)
	if err != nil {
		return probe.Sample{}, err
	}
	// The bytes of a true 85.000 °C and of the power-on value are alike but for
	// one that proves nothing: leave the call to whoever knows the last reading.
	return probe.Sample{Celsius: c, MaybePowerOn: c == 85}, nil
}

func (s *source) Close() error { return nil }
