package probe_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/probe/w1"
	"example.org/meltstation/sim/hardware"
)

// costPlan is what the measured process is told.
type costPlan struct {
	Root    string
	IDs     []string
	Text    []string
	Modbus  []string // two slaves each
	Seconds float64
}

// costFound is what it answers.
type costFound struct {
	CPU, Wall float64 // seconds
	RSS       float64 // MiB resident at the end
	Good, Bad int64
}

// BenchmarkTwentyProbes measures what 20 probes at 10 Hz cost: eight kernel files,
// six text lines and six Modbus slaves, read by a process of its own (this test
// binary again), so that the fakes' work isn't counted. Rerun it with
//
//	go test -run '^$' -bench TwentyProbes -benchtime 1x ./probe
//
// cpu-% is the share of one core, MiB what is resident.
func BenchmarkTwentyProbes(b *testing.B) {
	plan := costPlan{Seconds: 10}
	tree, err := hardware.NewTree(filepath.Join(b.TempDir(), "devices"))
	if err != nil {
		b.Fatal(err)
	}
	plan.Root = tree.Dir()
	begin := time.Now()
	temp := func() float64 { return 60 + time.Since(begin).Seconds()/20 }
	for i := range 8 {
		id := fmt.Sprintf("28-%012x", i+1)
		if err := tree.Add(id, hardware.Steady(temp)); err != nil {
			b.Fatal(err)
		}
		plan.IDs = append(plan.IDs, id)
	}
	ctx, cancel := context.WithCancel(b.Context())
	done := make(chan error, 1)
	go func() { done <- tree.Run(ctx, 500*time.Millisecond) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			b.Error(err)
		}
	}()
	for range 6 {
		path, unplug, err := hardware.TextLine(temp, hardware.TextOptions{Every: 100 * time.Millisecond})
		if err != nil {
			b.Fatal(err)
		}
		defer unplug()
		plan.Text = append(plan.Text, path)
	}
	for range 3 {
		path, unplug, err := hardware.ModbusSlave(hardware.ModbusOptions{Units: map[byte]hardware.Registers{1: hardware.Tenths(0, temp), 2: hardware.Tenths(0, temp)}})
		if err != nil {
			b.Fatal(err)
		}
		defer unplug()
		plan.Modbus = append(plan.Modbus, path)
	}
	text, err := json.Marshal(plan)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestCostReader$", "-test.v")
		cmd.Env = append(os.Environ(), "MELTSTATION_COST="+string(text))
		out, err := cmd.CombinedOutput()
		if err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		_, after, _ := strings.Cut(string(out), "cost: ")
		var f costFound
		if err := json.NewDecoder(strings.NewReader(after)).Decode(&f); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		if want := int64(200 * plan.Seconds * 0.95); f.Good < want || f.Bad > 0 {
			b.Errorf("%d good and %d suspect readings, want %d or more and none", f.Good, f.Bad, want)
		}
		b.ReportMetric(100*f.CPU/f.Wall, "cpu-%")
		b.ReportMetric(f.RSS, "MiB")
		b.ReportMetric(float64(f.Good)/f.Wall, "readings/s")
	}
}

// TestCostReader is the process that BenchmarkTwentyProbes measures; by itself it
// does nothing.
func TestCostReader(t *testing.T) {
	text := os.Getenv("MELTSTATION_COST")
	if text == "" {
		t.Skip("run by BenchmarkTwentyProbes")
	}
	var plan costPlan
	if err := json.Unmarshal([]byte(text), &plan); err != nil {
		t.Fatal(err)
	}
	var specs []probe.Spec
	add := func(id, kind string, open probe.Opener) {
		specs = append(specs, probe.Spec{ID: id, Kind: kind, Role: probe.RolePot, Open: open, Every: 100 * time.Millisecond})
	}
	for _, id := range plan.IDs {
		add(id, "w1", w1.Open(plan.Root, id, w1.Options{}))
	}
	for _, p := range plan.Text {
		add(p, "serial-text", serialtc.OpenText(serialtc.TextConfig{Port: p, Baud: 115200}))
	}
	for _, p := range plan.Modbus {
		line, err := serialtc.NewLine(serialtc.LineConfig{Port: p, Baud: 115200})
		if err != nil {
			t.Fatal(err)
		}
		for s := 1; s <= 2; s++ {
			add(fmt.Sprint(p, "/", s), "modbus", serialtc.OpenModbus(serialtc.ModbusConfig{Line: line, Slave: s, Scale: 0.1}))
		}
	}
	var f costFound
	var good, bad atomic.Int64
	sup := probe.NewSupervisor(probe.Options{Emit: func(r probe.Reading) {
		if r.OK() {
			good.Add(1)
		} else {
			bad.Add(1)
		}
	}})
	sup.Set(specs)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- sup.Run(ctx) }()
	time.Sleep(time.Second) // until all are open
	cpu, wall := used(t), time.Now()
	g0, b0 := good.Load(), bad.Load()
	time.Sleep(time.Duration(plan.Seconds * float64(time.Second)))
	f.CPU, f.Wall = used(t)-cpu, time.Since(wall).Seconds()
	f.Good, f.Bad = good.Load()-g0, bad.Load()-b0
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(status), "\n") {
		var kB float64
		if n, _ := fmt.Sscanf(line, "VmRSS: %f kB", &kB); n == 1 {
			f.RSS = kB / 1024
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	out, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("cost: %s\n", out)
}

// used is the processor time this process has used, in seconds.
func used(t *testing.T) float64 {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano()).Seconds()
}
