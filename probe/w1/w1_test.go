package w1_test

import (
	"context"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/onewire"
	"pgregory.net/rapid"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/w1"
	"example.org/meltstation/sim/hardware"
)

const checks = "../../testdata/checks/"

func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(checks + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, k := range rows[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func bytesOf(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Table 1 of the DS18B20 data sheet (Maxim), temperature and register, and what
// the kernel prints for each: millidegrees cut toward zero (drivers/w1/slaves/
// w1_therm.c).
func TestDS18B20Table(t *testing.T) {
	rows := table(t, "ds18b20_table.csv")
	if len(rows) != 10 {
		t.Fatalf("%d rows, the data sheet has 10", len(rows))
	}
	for _, r := range rows {
		want := number(t, r["t_c"])
		sp := [9]byte(bytesOf(t, r["scratchpad9_hex_example"]))
		if raw := fmt.Sprintf("%02X%02X", sp[1], sp[0]); raw != r["raw_hex"] {
			t.Errorf("scratchpad holds %s, the table says %s", raw, r["raw_hex"])
		}
		s, err := w1.Decode(0x28, sp)
		if err != nil || s.Celsius != want {
			t.Errorf("% x is %v, %v; the data sheet says %v °C", sp, s.Celsius, err, want)
		}
		if s, err := w1.Decode(0x22, sp); err != nil || s.Celsius != want {
			t.Errorf("DS1822: % x is %v, %v, want %v", sp, s.Celsius, err, want)
		}
		if want == 0 {
			continue // refused in a temperature file; tested below
		}
		s, err = w1.ParseTemperature(0x28, []byte(r["w1_millideg_trunc"]+"\n"))
		if err != nil || s.Celsius != want {
			t.Errorf("temperature file %q is %v, %v; want %v °C exactly", r["w1_millideg_trunc"], s.Celsius, err, want)
		}
	}
}

// The DS18S20's table, and four readings with COUNT_REMAIN recorded from real
// sensors (periph.io devices, ds18b20_test.go).
func TestDS18S20(t *testing.T) {
	pad := func(raw uint16, remain byte) [9]byte {
		sp := [9]byte{byte(raw), byte(raw >> 8), 0x4B, 0x46, 0xFF, 0xFF, remain, 0x10}
		sp[8] = onewire.CalcCRC(sp[:8])
		return sp
	}
	for _, r := range table(t, "ds18s20_table.csv") {
		want := number(t, r["t_c"])
		raw := uint16(bytesOf(t, r["raw_hex"])[0])<<8 | uint16(bytesOf(t, r["raw_hex"])[1])
		// COUNT_REMAIN 12 of 16 is the middle of a whole-degree step.
		s, err := w1.Decode(0x10, pad(raw, 0x0C))
		if err != nil || s.Celsius < want-0.5 || s.Celsius > want+0.5 {
			t.Errorf("%04x is %v, %v; the table says %v °C", raw, s.Celsius, err, want)
		}
		if want == 85 != s.MaybePowerOn {
			t.Errorf("%04x: maybe power-on is %v", raw, s.MaybePowerOn)
		}
	}
	for _, v := range []struct {
		raw    uint16
		remain byte
		want   float64
	}{{0x0032, 0x0B, 25.0625}, {0x0014, 0x0A, 10.125}, {0xFFEC, 0x0E, -10.125}, {0xFFCE, 0x0D, -25.0625}} {
		if s, err := w1.Decode(0x10, pad(v.raw, v.remain)); err != nil || s.Celsius != v.want {
			t.Errorf("%04x/%02x is %v, %v; want %v", v.raw, v.remain, s.Celsius, err, v.want)
		}
	}
}

// CRC-8 vectors: the worked example of Maxim's application note 27, recorded
// ROM codes and scratchpads; each with its source in the file.
func TestCRC8Vectors(t *testing.T) {
	b, err := os.ReadFile(checks + "crc8_vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var vectors []struct{ Data, Crc8, Source string }
	if err := json.Unmarshal(b, &vectors); err != nil {
		t.Fatal(err)
	}
	if len(vectors) < 8 {
		t.Fatalf("only %d vectors", len(vectors))
	}
	for _, v := range vectors {
		if got := fmt.Sprintf("%02x", onewire.CalcCRC(bytesOf(t, v.Data))); got != v.Crc8 {
			t.Errorf("CRC of %s is %s, %s says %s", v.Data, got, v.Source, v.Crc8)
		}
	}
}

// Any one flipped bit of a valid scratchpad is noticed.
func TestDecodeOneBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		milli := rapid.IntRange(-880, 2000).Draw(t, "sixteenths")
		sp := [9]byte{byte(milli), byte(uint16(milli) >> 8), 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}
		sp[8] = onewire.CalcCRC(sp[:8])
		if s, err := w1.Decode(0x28, sp); err != nil || s.Celsius != float64(milli)/16 {
			t.Fatalf("% x: %v, %v", sp, s, err)
		}
		bit := rapid.IntRange(0, 71).Draw(t, "bit")
		sp[bit/8] ^= 1 << (bit % 8)
		if s, err := w1.Decode(0x28, sp); !errors.Is(err, probe.ErrCRC) {
			t.Fatalf("bit %d flipped: %v, %v", bit, s, err)
		}
	})
}

// At 9 to 11 bits the low bits are undefined (data sheet) and must not count.
func TestUndefinedBits(t *testing.T) {
	for cfg, want := range map[byte]float64{0x1F: 85.5, 0x3F: 85.75, 0x5F: 85.875, 0x7F: 85.9375} {
		sp := [9]byte{0x5F, 0x05, 0x4B, 0x46, cfg, 0xFF, 0x01, 0x10}
		sp[8] = onewire.CalcCRC(sp[:8])
		if s, err := w1.Decode(0x28, sp); err != nil || s.Celsius != want {
			t.Errorf("configuration %02x: %v, %v; want %v", cfg, s.Celsius, err, want)
		}
	}
	// A 10-bit transaction recorded from a real sensor (periph.io devices): 30 °C.
	if s, err := w1.Decode(0x28, [9]byte(bytesOf(t, "e0 01 00 00 3f ff 10 10 3f"))); err != nil || s.Celsius != 30 {
		t.Errorf("recorded scratchpad: %v, %v; want 30", s, err)
	}
}

// Texts in the format of the kernel's w1_therm.c. What each must become is the
// point: no rubbish is a temperature, and 85 and 0 are told apart.
func TestSlaveSamples(t *testing.T) {
	b, err := os.ReadFile(checks + "w1_slave_samples.json")
	if err != nil {
		t.Fatal(err)
	}
	var samples map[string]string
	if err := json.Unmarshal(b, &samples); err != nil {
		t.Fatal(err)
	}
	want := map[string]struct {
		c     float64
		maybe bool
		err   error
	}{
		"23.125":            {c: 23.125},
		"+85 power-on":      {c: 85, maybe: true},
		"-0.5":              {c: -0.5},
		"-10.125":           {c: -10.125},
		"57.1875":           {c: 57.1875},
		"127.9375 no power": {err: probe.ErrRange},
		"zero all (bus shorted low: crc matches!)": {err: probe.ErrShort},
		"all ff (nothing on bus): crc of eight ff": {err: probe.ErrNoDevice},
		"empty read": {err: probe.ErrNotReady},
		"crc mismatch (older kernels): line 2 shows the retained good bytes (22.9375) but t= comes from the bad read": {err: probe.ErrCRC},
	}
	for name, text := range samples {
		w, ok := want[name]
		if !ok {
			t.Errorf("no expectation for sample %q", name)
			continue
		}
		delete(want, name)
		sp, err := w1.ParseSlave([]byte(text))
		var s probe.Sample
		if err == nil {
			s, err = w1.Decode(0x28, sp)
		}
		if !errors.Is(err, w.err) || (err == nil) != (w.err == nil) || s.Celsius != w.c || s.MaybePowerOn != w.maybe {
			t.Errorf("%s: %+v, %v; want %+v", name, s, err, w)
		}
	}
	for name := range want {
		t.Errorf("sample %q is missing", name)
	}
	// A true 85.000 °C of a genuine chip: byte 6 is 10h.
	sp, err := w1.ParseSlave([]byte("50 05 4b 46 7f ff 10 10 b7 : crc=b7 YES\n50 05 4b 46 7f ff 10 10 b7 t=85000\n"))
	if err != nil {
		t.Fatal(err)
	}
	sp[8] = onewire.CalcCRC(sp[:8])
	if s, err := w1.Decode(0x28, sp); err != nil || s.Celsius != 85 || s.MaybePowerOn {
		t.Errorf("true 85: %+v, %v", s, err)
	}
}

func TestParseTemperature(t *testing.T) {
	for text, want := range map[string]error{
		"": probe.ErrNotReady, "0\n": probe.ErrShort, "-0\n": probe.ErrShort, "abc\n": probe.ErrGarbled, "21.5\n": probe.ErrGarbled,
		"125937\n": probe.ErrRange, "127937\n": probe.ErrRange, "-60000\n": probe.ErrRange, "99999999999999999999\n": probe.ErrGarbled,
		"+5\n": probe.ErrGarbled, "2150\n0\n": probe.ErrGarbled, " 2\n": probe.ErrGarbled,
	} {
		if s, err := w1.ParseTemperature(0x28, []byte(text)); !errors.Is(err, want) {
			t.Errorf("%q: %v, %v; want %v", text, s, err, want)
		}
	}
	if s, err := w1.ParseTemperature(0x28, []byte("85000\n")); err != nil || !s.MaybePowerOn {
		t.Errorf("85000 without the bytes may be the power-on value: %+v, %v", s, err)
	}
	if s, err := w1.ParseTemperature(0x28, []byte("-62\n")); err != nil || s.Celsius != -0.0625 {
		t.Errorf("-62 is %v, %v; want -0.0625", s.Celsius, err)
	}
}

func newTree(t *testing.T) *hardware.Tree {
	t.Helper()
	tree, err := hardware.NewTree(filepath.Join(t.TempDir(), "devices"))
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

func TestDiscover(t *testing.T) {
	mend := func(err error) string { return probe.Mend("w1", probe.Classify(err), err) }
	_, err := w1.Discover(filepath.Join(t.TempDir(), "none"))
	if !errors.Is(err, probe.ErrNoDevice) || !strings.Contains(mend(err), "enable 1-Wire") || !strings.Contains(mend(err), "reboot") {
		t.Errorf("no bus: %v (%s)", err, mend(err))
	}
	tree := newTree(t)
	_, err = w1.Discover(tree.Dir())
	if !errors.Is(err, probe.ErrNoDevice) || !strings.Contains(mend(err), "4.7 kΩ") {
		t.Errorf("empty bus: %v (%s)", err, mend(err))
	}
	if err := os.Mkdir(filepath.Join(tree.Dir(), "00-800000000000"), 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err = w1.Discover(tree.Dir()); !errors.Is(err, probe.ErrShort) {
		t.Errorf("phantom devices: %v", err)
	}
	for _, id := range []string{"28-0316a2795bff", "10-000802ba4b2c", "22-0000001b7c45"} {
		if err := tree.Add(id, hardware.Steady(hardware.Fixed(21))); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(tree.Dir(), "01-00000badc0de"), 0o755); err != nil { // an iButton
		t.Fatal(err)
	}
	found, err := w1.Discover(tree.Dir())
	if err != nil || len(found) != 3 {
		t.Fatalf("found %+v, %v; want three", found, err)
	}
	if f := found[2]; f.ID != "28-0316a2795bff" || f.Model != "DS18B20" || f.Bus != "w1_bus_master1" {
		t.Errorf("third is %+v", f)
	}
}

// Every way a sensor answers, through the files.
func TestKernelFiles(t *testing.T) {
	tree := newTree(t)
	var mu sync.Mutex
	wire := hardware.Wire{Celsius: 57.2}
	const id = "28-0316a2795bff"
	if err := tree.Add(id, func() hardware.Wire { mu.Lock(); defer mu.Unlock(); return wire }); err != nil {
		t.Fatal(err)
	}
	src, err := w1.Open(tree.Dir(), id, w1.Options{RetryAfter: time.Millisecond})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for _, tc := range []struct {
		wire  hardware.Wire
		want  float64
		maybe bool
		err   error
	}{
		{hardware.Wire{Celsius: 57.2}, 57.1875, false, nil},
		{hardware.Wire{Celsius: -10.125}, -10.125, false, nil},
		{hardware.Wire{Celsius: 0}, 0, false, nil},
		{hardware.Wire{Celsius: 85}, 85, false, nil},
		{hardware.Wire{Celsius: 85, Mode: hardware.ModeClone}, 85, true, nil},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModePowerOn}, 85, true, nil},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModeNO}, 0, false, probe.ErrCRC},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModeEmpty}, 0, false, probe.ErrNotReady},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModeAllZero}, 0, false, probe.ErrShort},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModeAllOnes}, 0, false, probe.ErrNoDevice},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModeNoPower}, 0, false, probe.ErrRange},
		{hardware.Wire{Celsius: 60, Mode: hardware.ModeMissing}, 0, false, probe.ErrNoDevice},
		{hardware.Wire{Celsius: 61}, 61, false, nil},
	} {
		mu.Lock()
		wire = tc.wire
		mu.Unlock()
		if err := tree.Refresh(); err != nil {
			t.Fatal(err)
		}
		s, err := src.Read(t.Context())
		if !errors.Is(err, tc.err) || (err == nil) != (tc.err == nil) || s.Celsius != tc.want || s.MaybePowerOn != tc.maybe {
			t.Errorf("%+v: %+v, %v", tc.wire, s, err)
		}
	}
	if os.Getuid() != 0 { // root reads everything
		mu.Lock()
		wire = hardware.Wire{Mode: hardware.ModeUnreadable}
		mu.Unlock()
		if err := tree.Refresh(); err != nil {
			t.Fatal(err)
		}
		if _, err := src.Read(t.Context()); !errors.Is(err, probe.ErrPermission) {
			t.Errorf("unreadable: %v", err)
		}
	}
	if _, err := w1.Open(tree.Dir(), "28-000000000000", w1.Options{})(t.Context()); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("absent sensor: %v", err)
	}
	if _, err := w1.Open(tree.Dir(), "../../etc/x", w1.Options{})(t.Context()); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("id that is none: %v", err)
	}
}

// A kernel without w1_slave still has temperature.
func TestKernelTemperatureOnly(t *testing.T) {
	tree := newTree(t)
	const id = "28-0316a2795bff"
	if err := tree.Add(id, hardware.Steady(hardware.Fixed(-25.0625))); err != nil {
		t.Fatal(err)
	}
	src, err := w1.Open(tree.Dir(), id, w1.Options{})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(tree.Dir(), id, "w1_slave")); err != nil {
		t.Fatal(err)
	}
	if s, err := src.Read(t.Context()); err != nil || s.Celsius != -25.0625 {
		t.Errorf("got %v, %v; want -25.0625 from -25062", s.Celsius, err)
	}
}

func TestResolution(t *testing.T) {
	tree := newTree(t)
	const id = "28-0316a2795bff"
	if err := tree.Add(id, hardware.Steady(hardware.Fixed(57.4375))); err != nil {
		t.Fatal(err)
	}
	src, err := w1.Open(tree.Dir(), id, w1.Options{Resolution: 9})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := tree.Refresh(); err != nil {
		t.Fatal(err)
	}
	if s, err := src.Read(t.Context()); err != nil || s.Celsius != 57 {
		t.Errorf("at 9 bits: %v, %v; want 57.0", s.Celsius, err)
	}
}

// A bulk conversion reads all sensors at the moment of the trigger, and a reader
// that comes while it runs waits.
func TestBulk(t *testing.T) { synctest.Test(t, bulk) }

func bulk(t *testing.T) {
	tree := newTree(t)
	var mu sync.Mutex
	c := 40.0
	temp := func() float64 { mu.Lock(); defer mu.Unlock(); return c }
	ids := []string{"28-000000000001", "28-000000000002", "28-000000000003"}
	for _, id := range ids {
		if err := tree.Add(id, hardware.Steady(temp)); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- tree.Run(ctx, 5*time.Millisecond) }()
	defer func() {
		cancel()
		if err := <-ran; err != nil {
			t.Error(err)
		}
	}()
	together := &w1.Bulk{}
	var srcs []probe.Source
	for _, id := range ids {
		s, err := w1.Open(tree.Dir(), id, w1.Options{Bulk: together, RetryAfter: 5 * time.Millisecond})(ctx)
		if err != nil {
			t.Fatal(err)
		}
		srcs = append(srcs, s)
	}
	for round := range 3 {
		time.Sleep(time.Second)
		mu.Lock()
		c = 40 + float64(round)
		mu.Unlock()
		for i, s := range srcs {
			if got, err := s.Read(ctx); err != nil || got.Celsius != 40+float64(round) {
				t.Errorf("round %d, sensor %d: %v, %v", round, i, got.Celsius, err)
			}
		}
	}
}
