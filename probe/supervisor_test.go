package probe_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"example.org/meltstation/probe"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fake is a thermometer whose every read is a function.
type fake struct {
	read   func(ctx context.Context, closed <-chan struct{}) (probe.Sample, error)
	closed chan struct{}
	once   sync.Once
}

func (f *fake) Read(ctx context.Context) (probe.Sample, error) { return f.read(ctx, f.closed) }
func (f *fake) Close() error                                   { f.once.Do(func() { close(f.closed) }); return nil }

func opener(read func(ctx context.Context, closed <-chan struct{}) (probe.Sample, error)) probe.Opener {
	return func(context.Context) (probe.Source, error) {
		return &fake{read: read, closed: make(chan struct{})}, nil
	}
}

func steady(c float64) probe.Opener {
	return opener(func(context.Context, <-chan struct{}) (probe.Sample, error) { return probe.Sample{Celsius: c}, nil })
}

// collect gathers readings by probe.
type collect struct {
	mu sync.Mutex
	by map[string][]probe.Reading
}

func (c *collect) add(r probe.Reading) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by == nil {
		c.by = map[string][]probe.Reading{}
	}
	c.by[r.Probe] = append(c.by[r.Probe], r)
}

func (c *collect) of(id string) []probe.Reading {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.by[id])
}

func start(t *testing.T, s *probe.Supervisor) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func status(t *testing.T, s *probe.Supervisor, id string) probe.Status {
	t.Helper()
	for _, st := range s.Status() {
		if st.ID == id {
			return st
		}
	}
	t.Fatalf("no status of %q", id)
	return probe.Status{}
}

func TestSupervisorReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got collect
		s := probe.NewSupervisor(probe.Options{Emit: got.add})
		s.Set([]probe.Spec{
			{ID: "a", Name: "big jug", Kind: "sim", Role: probe.RolePot, Pot: "one", Open: steady(60), Every: time.Second, Adjust: func(c float64) float64 { return c + 0.25 }},
			{ID: "b", Kind: "sim", Role: probe.RoleRoom, Open: steady(21), Every: 100 * time.Millisecond},
			{ID: "a", Open: steady(99)}, // same id: left out
			{ID: "c", Kind: "w1", Open: nil},
		})
		stop := start(t, s)
		time.Sleep(10*time.Second + time.Millisecond)
		if r := got.of("a"); len(r) != 11 || !r[3].OK() || r[3].Celsius != 60.25 || r[3].Raw != 60 || r[3].Role != probe.RolePot || r[3].Pot != "one" {
			t.Errorf("a: %d readings, %+v", len(r), r[3])
		}
		if n := len(got.of("b")); n != 101 {
			t.Errorf("b: %d readings in 10 s at 10 Hz", n)
		}
		st := status(t, s, "b")
		if !st.Attached || math.Abs(st.RateHz-10) > 0.1 || st.Readings != 101 || st.Mend != "" || st.Name != "b" {
			t.Errorf("b: %+v", st)
		}
		if st := status(t, s, "a"); st.Name != "big jug" || st.LastGood.Celsius != 60.25 {
			t.Errorf("a: %+v", st)
		}
		if st := status(t, s, "c"); st.Attached || st.Errors[probe.NoDevice] == 0 || st.Mend == "" {
			t.Errorf("c: %+v", st)
		}
		// A new calibration is taken over without reopening; a gone probe stops.
		s.Set([]probe.Spec{{ID: "a", Kind: "sim", Role: probe.RolePot, Open: func(context.Context) (probe.Source, error) {
			t.Error("reopened for a calibration")
			return nil, probe.ErrNoDevice
		}, Every: time.Second, Adjust: func(c float64) float64 { return c + 1 }}})
		n := len(got.of("b"))
		time.Sleep(5 * time.Second)
		if r := got.of("a"); r[len(r)-1].Celsius != 61 {
			t.Errorf("after a new calibration: %+v", r[len(r)-1])
		}
		if m := len(got.of("b")); m != n {
			t.Errorf("b gave %d readings after it was taken out", m-n)
		}
		if len(s.Status()) != 1 {
			t.Errorf("status of %d probes", len(s.Status()))
		}
		// Another port reopens it.
		s.Set([]probe.Spec{{ID: "a", Kind: "sim", Where: "/dev/other", Open: steady(70), Every: time.Second}})
		time.Sleep(5 * time.Second)
		if r := got.of("a"); r[len(r)-1].Celsius != 70 {
			t.Errorf("after its port changed: %+v", r[len(r)-1])
		}
		if err := s.Run(t.Context()); err == nil {
			t.Error("ran twice")
		}
		stop()
		s.Set([]probe.Spec{{ID: "z", Open: steady(1)}}) // after the end: nothing starts
	})
}

// A probe that hangs for ever, in opening or in reading, and deaf to Close, costs
// one goroutine, says so, and delays no other.
func TestSupervisorHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got collect
		free := make(chan struct{})
		var inside, most atomic.Int32
		block := func() {
			n := inside.Add(1)
			for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
			}
			<-free
			inside.Add(-1)
		}
		s := probe.NewSupervisor(probe.Options{Emit: got.add})
		s.Set([]probe.Spec{
			{ID: "open", Kind: "w1", Open: func(context.Context) (probe.Source, error) { block(); return nil, probe.ErrNoDevice }, Timeout: time.Second},
			{ID: "ok", Kind: "sim", Open: steady(50), Every: time.Second},
		})
		stop := start(t, s)
		before := runtime.NumGoroutine()
		time.Sleep(10 * time.Minute)
		if n := most.Load(); n != 1 {
			t.Errorf("%d calls into a hanging driver at once", n)
		}
		if n := runtime.NumGoroutine(); n > before+4 {
			t.Errorf("%d goroutines, %d before", n, before)
		}
		st := status(t, s, "open")
		if st.Last.Quality != probe.Stale || st.Attached || st.Errors[probe.Stale] < 500 || st.Mend == "" {
			t.Errorf("hanging probe: %+v", st)
		}
		if n := len(got.of("ok")); n < 600 {
			t.Errorf("the other probe gave %d readings in 600 s", n)
		}
		close(free)
		time.Sleep(time.Minute)
		if st := status(t, s, "open"); st.Last.Quality != probe.NoDevice {
			t.Errorf("after the hang: %+v", st.Last)
		}
		stop()
	})
}

func TestSupervisorHangInRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got collect
		free := make(chan struct{})
		var hang atomic.Bool
		s := probe.NewSupervisor(probe.Options{Emit: got.add})
		s.Set([]probe.Spec{{ID: "p", Kind: "w1", Every: time.Second, Timeout: 2 * time.Second,
			Open: opener(func(context.Context, <-chan struct{}) (probe.Sample, error) {
				if hang.Load() {
					<-free // an uninterruptible read in the kernel
				}
				return probe.Sample{Celsius: 60}, nil
			})}})
		stop := start(t, s)
		time.Sleep(5 * time.Second)
		good := len(got.of("p"))
		hang.Store(true)
		time.Sleep(10 * time.Second)
		r := got.of("p")
		if last := r[len(r)-1]; last.Quality != probe.Stale {
			t.Errorf("hanging: %+v", last)
		}
		if n := len(r) - good; n < 3 || n > 6 {
			t.Errorf("%d readings while it hung for 10 s with a limit of 2 s", n)
		}
		hang.Store(false)
		close(free)
		time.Sleep(5 * time.Second)
		if st := status(t, s, "p"); !st.Last.OK() || !st.Attached {
			t.Errorf("after the hang: %+v", st)
		}
		stop()
	})
}

// Run returns even while a driver never does, and leaves nothing else behind.
func TestSupervisorStopsWhileHanging(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		free := make(chan struct{})
		s := probe.NewSupervisor(probe.Options{})
		s.Set([]probe.Spec{{ID: "p", Open: opener(func(context.Context, <-chan struct{}) (probe.Sample, error) {
			<-free
			return probe.Sample{}, probe.ErrTimeout
		})}})
		stop := start(t, s)
		time.Sleep(time.Minute)
		begin := time.Now()
		stop()
		if d := time.Since(begin); d > 2*time.Second {
			t.Errorf("stopping took %v", d)
		}
		close(free)
	})
}

// A gone probe is tried again at growing, spread distances, and is back within
// the longest of them.
func TestSupervisorBackoff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var tries []time.Time
		var there atomic.Bool
		s := probe.NewSupervisor(probe.Options{})
		s.Set([]probe.Spec{{ID: "p", Open: func(ctx context.Context) (probe.Source, error) {
			mu.Lock()
			tries = append(tries, time.Now())
			mu.Unlock()
			if !there.Load() {
				return nil, probe.ErrNoDevice
			}
			return steady(50)(ctx)
		}}})
		stop := start(t, s)
		time.Sleep(5 * time.Minute)
		mu.Lock()
		n := len(tries)
		var gaps []float64
		for i := 1; i < n; i++ {
			gaps = append(gaps, tries[i].Sub(tries[i-1]).Seconds())
		}
		mu.Unlock()
		if n < 40 || n > 90 || gaps[0] > 0.31 || slices.Max(gaps) > 6.1 || gaps[n-3] == gaps[n-2] {
			t.Errorf("%d tries in five minutes, gaps %.2f", n, gaps)
		}
		there.Store(true)
		time.Sleep(7 * time.Second)
		if st := status(t, s, "p"); !st.Attached {
			t.Errorf("not back: %+v", st)
		}
		stop()
	})
}

// A line that may have lost step is reopened after five bad answers in a row; a
// fault told over a line that works is not.
func TestSupervisorReopens(t *testing.T) {
	for err, want := range map[error]bool{
		probe.ErrCRC: true, probe.ErrGarbled: true, probe.ErrTimeout: true, probe.ErrShort: true,
		probe.ErrOpen: false, probe.ErrRange: false, probe.ErrPowerOn: false,
	} {
		t.Run(err.Error(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var opened, reads atomic.Int32
				s := probe.NewSupervisor(probe.Options{})
				s.Set([]probe.Spec{{ID: "p", Every: time.Second, Open: func(ctx context.Context) (probe.Source, error) {
					opened.Add(1)
					return opener(func(context.Context, <-chan struct{}) (probe.Sample, error) {
						reads.Add(1)
						return probe.Sample{}, err
					})(ctx)
				}}})
				stop := start(t, s)
				time.Sleep(time.Minute)
				stop()
				if n := opened.Load(); (n > 1) != want {
					t.Errorf("opened %d times in a minute", n)
				}
				if n := reads.Load(); n < 20 || !want && n != 61 && n != 60 {
					t.Errorf("%d attempts in a minute", n)
				}
			})
		})
	}
}

// A device that answers without end is held to MinEvery.
func TestSupervisorFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var n atomic.Int32
		s := probe.NewSupervisor(probe.Options{Emit: func(probe.Reading) { n.Add(1) }})
		s.Set([]probe.Spec{{ID: "p", Open: steady(20)}})
		stop := start(t, s)
		time.Sleep(time.Minute)
		stop()
		if n := n.Load(); n != 1201 && n != 1200 {
			t.Errorf("%d readings in a minute, want 20 a second", n)
		}
	})
}

const deafHang = "hang, deaf to everything"

// What a fault injector does to one read, and what must come of it.
type injected struct {
	name string
	want []probe.Quality
	do   func(f *chaotic, ctx context.Context, closed <-chan struct{}, truth float64) (probe.Sample, error)
}

type chaotic struct {
	rng  *rand.Rand
	deaf int // seconds the next deaf hang lasts
}

func fails(err error) func(*chaotic, context.Context, <-chan struct{}, float64) (probe.Sample, error) {
	return func(*chaotic, context.Context, <-chan struct{}, float64) (probe.Sample, error) {
		return probe.Sample{}, fmt.Errorf("injected: %w", err)
	}
}

var injections = []injected{
	{"crc", []probe.Quality{probe.BadCRC}, fails(probe.ErrCRC)},
	{"garbled", []probe.Quality{probe.Garbled}, fails(probe.ErrGarbled)},
	{"open", []probe.Quality{probe.OpenCircuit}, fails(probe.ErrOpen)},
	{"short", []probe.Quality{probe.Shorted}, fails(probe.ErrShort)},
	{"not ready", []probe.Quality{probe.Stale}, fails(probe.ErrNotReady)},
	{"timeout", []probe.Quality{probe.Stale}, fails(probe.ErrTimeout)},
	{"range", []probe.Quality{probe.OutOfRange}, fails(probe.ErrRange)},
	{"restart, told", []probe.Quality{probe.PowerOnReset}, fails(probe.ErrPowerOn)},
	{"unplugged", []probe.Quality{probe.NoDevice}, fails(probe.ErrNoDevice)},
	{"unknown", []probe.Quality{probe.NoDevice}, fails(errors.New("input/output error"))},
	{"not a number", []probe.Quality{probe.Garbled}, func(*chaotic, context.Context, <-chan struct{}, float64) (probe.Sample, error) {
		return probe.Sample{Celsius: math.NaN()}, nil
	}},
	{"value no pot has", []probe.Quality{probe.OutOfRange}, func(*chaotic, context.Context, <-chan struct{}, float64) (probe.Sample, error) {
		return probe.Sample{Celsius: 1e6}, nil
	}},
	{"spike", []probe.Quality{probe.ImpossibleRate}, func(f *chaotic, _ context.Context, _ <-chan struct{}, truth float64) (probe.Sample, error) {
		return probe.Sample{Celsius: truth + 60 + 100*f.rng.Float64()}, nil
	}},
	{"power-on value", []probe.Quality{probe.PowerOnReset}, func(*chaotic, context.Context, <-chan struct{}, float64) (probe.Sample, error) {
		return probe.Sample{Celsius: 85, MaybePowerOn: true}, nil
	}},
	{"hang until closed", []probe.Quality{probe.Stale}, func(_ *chaotic, _ context.Context, closed <-chan struct{}, _ float64) (probe.Sample, error) {
		<-closed
		return probe.Sample{}, probe.ErrTimeout
	}},
	{"hang until told", []probe.Quality{probe.Stale}, func(_ *chaotic, ctx context.Context, _ <-chan struct{}, _ float64) (probe.Sample, error) {
		<-ctx.Done()
		return probe.Sample{}, ctx.Err()
	}},
	{deafHang, []probe.Quality{probe.Stale}, func(f *chaotic, _ context.Context, _ <-chan struct{}, truth float64) (probe.Sample, error) {
		time.Sleep(time.Duration(f.deaf) * time.Second)
		return probe.Sample{Celsius: truth}, nil
	}},
}

// An hour of the station's time over 20 probes, faults at random: every fault is
// classed as what it was, every probe recovers, every good sample that a driver
// gave in time comes out good and unchanged, and no goroutine is left.
// MELTSTATION_CHAOS_HOURS and MELTSTATION_CHAOS_SEED make it longer or other.
func TestChaos(t *testing.T) {
	hours, seed := 1.0, uint64(1)
	if s := os.Getenv("MELTSTATION_CHAOS_HOURS"); s != "" {
		if _, err := fmt.Sscan(s, &hours); err != nil {
			t.Fatal(err)
		}
	}
	if s := os.Getenv("MELTSTATION_CHAOS_SEED"); s != "" {
		if _, err := fmt.Sscan(s, &seed); err != nil {
			t.Fatal(err)
		}
	}
	synctest.Test(t, func(t *testing.T) { chaos(t, time.Duration(hours*float64(time.Hour)), seed) })
}

func chaos(t *testing.T, length time.Duration, seed uint64) {
	const probes = 20
	begin := time.Now()
	// The truth: heating and cooling between 40 and 80 °C, never steep, never near
	// the 85 °C that a restart is played with.
	truth := func(i int) float64 {
		return 60 + 20*math.Sin(time.Since(begin).Seconds()/400+float64(i))
	}
	type event struct {
		good bool
		v    float64
		want []probe.Quality
		name string
		n    int // readings that come of it
	}
	type life struct {
		mu     sync.Mutex
		events []event // what the driver did, in order
		got    []probe.Reading
	}
	lives := make([]*life, probes)
	byID := map[string]*life{}
	var quiet atomic.Bool // no more faults
	var specs []probe.Spec
	for i := range probes {
		l := &life{}
		lives[i] = l
		f := &chaotic{rng: rand.New(rand.NewPCG(seed, uint64(i)))}
		id := fmt.Sprintf("p%02d", i)
		byID[id] = l
		note := func(e event) { l.mu.Lock(); l.events = append(l.events, e); l.mu.Unlock() }
		specs = append(specs, probe.Spec{
			ID: id, Kind: "sim", Role: probe.RolePot, Every: time.Second, Timeout: 2 * time.Second,
			Open: func(ctx context.Context) (probe.Source, error) {
				if !quiet.Load() && f.rng.Float64() < 0.2 {
					note(event{want: []probe.Quality{probe.NoDevice}, name: "can't be opened", n: 1})
					return nil, probe.ErrPermission
				}
				return opener(func(ctx context.Context, closed <-chan struct{}) (probe.Sample, error) {
					v := truth(i)
					if quiet.Load() || f.rng.Float64() > 0.05 {
						note(event{good: true, v: v, n: 1})
						return probe.Sample{Celsius: v}, nil
					}
					inj := injections[f.rng.IntN(len(injections))]
					f.deaf = 3 + f.rng.IntN(20)
					n := 1
					if inj.name == deafHang { // told once a limit of 2 s and a grace have passed, then each limit
						n += int((float64(f.deaf) - 2.25) / 2)
					}
					note(event{want: inj.want, name: inj.name, n: n})
					return inj.do(f, ctx, closed, v)
				})(ctx)
			},
		})
	}
	goroutines := runtime.NumGoroutine()
	s := probe.NewSupervisor(probe.Options{Emit: func(r probe.Reading) {
		l := byID[r.Probe]
		l.mu.Lock()
		l.got = append(l.got, r)
		l.mu.Unlock()
	}})
	s.Set(specs)
	stop := start(t, s)
	for time.Since(begin) < length {
		time.Sleep(time.Minute)
		if n := runtime.NumGoroutine(); n > goroutines+3*probes+5 {
			t.Fatalf("%d goroutines after %v", n, time.Since(begin))
		}
	}
	quiet.Store(true)
	time.Sleep(time.Minute)
	for _, st := range s.Status() {
		if !st.Attached || !st.Last.OK() || st.Mend != "" {
			t.Errorf("%s has not recovered: %+v", st.ID, st)
		}
	}
	stop()

	faults, good := map[string]int{}, 0
	for i, l := range lives {
		// Each thing the driver did gives one reading, a long hang several.
		k := 0
		for j, e := range l.events {
			if k >= len(l.got) {
				if j < len(l.events)-1 { // only the last may have been under way at the end
					t.Errorf("probe %d: %d readings are missing", i, len(l.events)-j)
				}
				break
			}
			if e.good {
				good++
				if r := l.got[k]; !r.OK() || r.Celsius != e.v {
					t.Fatalf("probe %d: a good sample of %v became %+v", i, e.v, r)
				}
				k++
				continue
			}
			faults[e.name]++
			for range e.n {
				if k < len(l.got) && !slices.Contains(e.want, l.got[k].Quality) {
					t.Fatalf("probe %d, reading %d: fault %q was called %q (%s)", i, k, e.name, l.got[k].Quality, l.got[k].Detail)
				}
				k++
			}
		}
		if k < len(l.got) {
			t.Errorf("probe %d: %d readings came from nothing, the first %+v", i, len(l.got)-k, l.got[k])
		}
	}
	for _, inj := range injections {
		if faults[inj.name] == 0 {
			t.Errorf("fault %q was never injected", inj.name)
		}
	}
	if good < 20*int(length.Seconds())/2 {
		t.Errorf("only %d good readings of 20 probes in %v", good, length)
	}
	n := 0
	for _, c := range faults {
		n += c
	}
	t.Logf("%d good readings, %d faults of %d kinds", good, n, len(faults))
}
