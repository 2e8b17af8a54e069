package serialtc_test

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/sim/hardware"
)

// The standard's default is even parity and one stop bit, two without parity
// ("MODBUS over serial line", V1.02, p. 12); the library's own default is none.
func TestParityDefault(t *testing.T) {
	for _, tc := range []struct {
		conf         serialtc.LineConfig
		parity, stop uint
	}{
		{serialtc.LineConfig{Port: "x"}, modbus.PARITY_EVEN, 1},
		{serialtc.LineConfig{Port: "x", Parity: "none"}, modbus.PARITY_NONE, 2},
		{serialtc.LineConfig{Port: "x", Parity: "none", StopBits: 1}, modbus.PARITY_NONE, 1},
		{serialtc.LineConfig{Port: "x", Parity: "Odd"}, modbus.PARITY_ODD, 1},
	} {
		got, err := serialtc.ClientConf(tc.conf)
		if err != nil || got.Parity != tc.parity || got.StopBits != tc.stop || got.DataBits != 8 || got.Speed != 19200 {
			t.Errorf("%+v: %+v, %v", tc.conf, got, err)
		}
		if got.Logger == nil {
			t.Error("without a logger the library writes to standard output")
		}
	}
	for _, c := range []serialtc.LineConfig{{}, {Port: "x", Baud: 300}, {Port: "x", Parity: "8E1"}, {Port: "x", StopBits: 3}, {Port: "x", Timeout: time.Minute}} {
		if _, err := serialtc.NewLine(c); err == nil {
			t.Errorf("%+v taken", c)
		}
	}
}

// Frames of the Modbus specifications (serial line V1.02 appendix B; application
// protocol V1.1b3 sections 6.3, 6.4, 7): the checksum of each, and the answers of
// the fake slave, which the driver's tests rest on.
func TestModbusFrames(t *testing.T) {
	b, err := os.ReadFile("../../testdata/checks/modbus_frames.json")
	if err != nil {
		t.Fatal(err)
	}
	var frames []struct {
		Name, Frame string
		Without     string `json:"without_crc"`
	}
	if err := json.Unmarshal(b, &frames); err != nil {
		t.Fatal(err)
	}
	by := map[string][]byte{}
	for _, f := range frames {
		want, got := unhex(t, f.Frame), hardware.Seal(unhex(t, f.Without))
		if string(got) != string(want) {
			t.Errorf("%s: % x, want % x", f.Name, got, want)
		}
		by[f.Name] = want
	}
	regs := func(fn byte, a uint16) (uint16, bool) {
		v, ok := map[[2]uint16]uint16{{3, 107}: 555, {3, 108}: 0, {3, 109}: 100, {4, 8}: 10}[[2]uint16{uint16(fn), a}]
		return v, ok
	}
	units := map[byte]hardware.Registers{1: regs, 17: regs}
	for q, a := range map[string]string{
		"read 3 holding regs 108..110, unit 1 request": "response 555,0,100",
		"same, unit 17 request":                        "response unit 17",
		"read input reg 9, request":                    "response 10",
	} {
		if got := hardware.Answer(by[q], units); string(got) != string(by[a]) {
			t.Errorf("%s: slave answers % x, want % x", q, got, by[a])
		}
	}
	if got := hardware.Answer(hardware.Seal([]byte{1, 3, 0, 200, 0, 1}), units); string(got) != string(by["exception: fc 03 illegal data address"]) {
		t.Errorf("illegal address: % x", got)
	}
	if got := hardware.Answer(hardware.Seal([]byte{1, 6, 0, 1, 0, 1}), units); len(got) != 5 || got[1] != 0x86 || got[2] != 1 {
		t.Errorf("illegal function: % x", got)
	}
	if got := hardware.Answer([]byte{1, 3, 0, 107, 0, 1, 0, 0}, units); got != nil {
		t.Errorf("a frame with a bad checksum was answered: % x", got)
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Several slaves and number formats on one line.
func TestModbusOverPTY(t *testing.T) {
	float := func(order string) hardware.Registers {
		bits := math.Float32bits(57.2)
		b := [4]byte{byte(bits >> 24), byte(bits >> 16), byte(bits >> 8), byte(bits)}
		var w [4]byte
		for i, c := range order {
			w[i] = b[c-'a']
		}
		return func(_ byte, a uint16) (uint16, bool) {
			if a > 1 {
				return 0, false
			}
			return uint16(w[2*a])<<8 | uint16(w[2*a+1]), true
		}
	}
	nan := math.NaN
	path, unplug, err := hardware.ModbusSlave(hardware.ModbusOptions{Units: map[byte]hardware.Registers{
		1: hardware.Tenths(0, hardware.Fixed(57.2)),
		2: hardware.Tenths(100, hardware.Fixed(-10.5)),
		3: float("abcd"), 4: float("cdab"), 5: float("badc"), 6: float("dcba"),
		7: hardware.Tenths(0, nan),
		8: hardware.Float(0, false, nan),
		9: func(fn byte, a uint16) (uint16, bool) { // microvolts, cold junction in tenths
			v, ok := map[uint16]uint16{0: 2474, 1: 250}[a]
			return v, ok && fn == 3
		},
		10: hardware.Tenths(0, hardware.Fixed(185)), // °F
		11: func(byte, uint16) (uint16, bool) { return 0xFFFF, true },
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer unplug()
	line, err := serialtc.NewLine(serialtc.LineConfig{Port: path, Baud: 115200, Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		conf serialtc.ModbusConfig
		want float64
		err  error
	}{
		{"tenths", serialtc.ModbusConfig{Slave: 1, Scale: 0.1}, 57.2, nil},
		{"tenths, holding register", serialtc.ModbusConfig{Slave: 1, Scale: 0.1, Function: 3}, 57.2, nil},
		{"below zero", serialtc.ModbusConfig{Slave: 2, Register: 100, Scale: 0.1}, -10.5, nil},
		{"below zero taken as unsigned", serialtc.ModbusConfig{Slave: 2, Register: 100, Scale: 0.1, Type: "uint16"}, 6543.1, nil},
		{"float", serialtc.ModbusConfig{Slave: 3, Type: "float32"}, 57.2, nil},
		{"float abcd", serialtc.ModbusConfig{Slave: 3, Type: "float32-abcd"}, 57.2, nil},
		{"float cdab", serialtc.ModbusConfig{Slave: 4, Type: "float32-cdab"}, 57.2, nil},
		{"float badc", serialtc.ModbusConfig{Slave: 5, Type: "float32-badc"}, 57.2, nil},
		{"float dcba", serialtc.ModbusConfig{Slave: 6, Type: "float32-dcba"}, 57.2, nil},
		{"open, by its value", serialtc.ModbusConfig{Slave: 7, Scale: 0.1}, 0, probe.ErrOpen},
		{"open, not a number", serialtc.ModbusConfig{Slave: 8, Type: "float32"}, 0, probe.ErrOpen},
		{"open, unsigned", serialtc.ModbusConfig{Slave: 11, Type: "uint16"}, 0, probe.ErrOpen},
		{"millivolts", serialtc.ModbusConfig{Slave: 9, Function: 3, Scale: 0.001, Thermocouple: "K", ColdRegister: ptr(1), ColdScale: 0.1}, 84.998, nil},
		{"millivolts, fixed cold junction", serialtc.ModbusConfig{Slave: 9, Function: 3, Scale: 0.001, Thermocouple: "K", Cold: ptr(25.0)}, 84.998, nil},
		{"Fahrenheit", serialtc.ModbusConfig{Slave: 10, Scale: 0.1, Unit: "F"}, 85, nil},
		{"no such register", serialtc.ModbusConfig{Slave: 1, Register: 9}, 0, probe.ErrGarbled},
		{"no such slave", serialtc.ModbusConfig{Slave: 99}, 0, probe.ErrTimeout},
	} {
		tc.conf.Line = line
		s, err := serialtc.ReadOnce(t.Context(), tc.conf)
		if !errors.Is(err, tc.err) || (err == nil) != (tc.err == nil) || math.Abs(s.Celsius-tc.want) > 0.001 {
			t.Errorf("%s: %v, %v; want %v, %v", tc.name, s.Celsius, err, tc.want, tc.err)
		}
	}

	// Many readers at once take turns, and none gets another's answer.
	var wg sync.WaitGroup
	for slave, want := range map[int]float64{1: 57.2, 10: 185} {
		for range 4 {
			wg.Go(func() {
				src, err := serialtc.OpenModbus(serialtc.ModbusConfig{Line: line, Slave: slave, Scale: 0.1})(t.Context())
				if err != nil {
					t.Error(err)
					return
				}
				defer src.Close()
				for range 10 {
					if s, err := src.Read(t.Context()); err != nil || math.Abs(s.Celsius-want) > 1e-9 {
						t.Errorf("slave %d: %v, %v", slave, s.Celsius, err)
					}
				}
			})
		}
	}
	wg.Wait()
	unplug()
	if _, err := serialtc.OpenModbus(serialtc.ModbusConfig{Line: line, Slave: 1})(t.Context()); err == nil {
		t.Error("opened after the plug was pulled")
	}
}

// Damaged answers: each is classed, and the line is in step again afterwards.
func TestModbusFaults(t *testing.T) {
	var mu sync.Mutex
	var mangle func([]byte) []byte
	path, unplug, err := hardware.ModbusSlave(hardware.ModbusOptions{
		Units: map[byte]hardware.Registers{1: hardware.Tenths(0, hardware.Fixed(57.2))},
		Mangle: func(_ int, f []byte) []byte {
			mu.Lock()
			defer mu.Unlock()
			if mangle == nil {
				return f
			}
			return mangle(f)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	defer unplug()
	src, err := serialtc.OpenModbus(serialtc.ModbusConfig{
		LineConf: serialtc.LineConfig{Port: path, Baud: 115200, Timeout: time.Second}, Slave: 1, Scale: 0.1})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for _, tc := range []struct {
		name   string
		mangle func([]byte) []byte
		want   error
	}{
		{"flipped bit", func(f []byte) []byte { f[3] ^= 1; return f }, probe.ErrCRC},
		{"silence", func([]byte) []byte { return nil }, probe.ErrTimeout},
		{"cut short", func(f []byte) []byte { return f[:2] }, probe.ErrGarbled},
		{"noise", func([]byte) []byte { return []byte{0xFF, 0x00, 0xA5, 0x5A, 0xFF} }, probe.ErrGarbled},
		{"another slave's answer", func([]byte) []byte { return hardware.Seal([]byte{2, 4, 2, 2, 60}) }, probe.ErrGarbled},
		{"too many registers", func([]byte) []byte { return hardware.Seal([]byte{1, 4, 4, 2, 60, 2, 60}) }, probe.ErrGarbled},
		{"another function", func([]byte) []byte { return hardware.Seal([]byte{1, 3, 2, 2, 60}) }, probe.ErrGarbled},
		{"busy", func([]byte) []byte { return hardware.Seal([]byte{1, 0x84, 6}) }, probe.ErrNotReady},
		{"device failure", func([]byte) []byte { return hardware.Seal([]byte{1, 0x84, 4}) }, probe.ErrNoDevice},
		{"exception nobody knows", func([]byte) []byte { return hardware.Seal([]byte{1, 0x84, 99}) }, probe.ErrNoDevice},
	} {
		mu.Lock()
		mangle = tc.mangle
		mu.Unlock()
		if s, err := src.Read(t.Context()); !errors.Is(err, tc.want) {
			t.Errorf("%s: %v, %v; want %v", tc.name, s, err, tc.want)
		}
		mu.Lock()
		mangle = nil
		mu.Unlock()
		if s, err := src.Read(t.Context()); err != nil || math.Abs(s.Celsius-57.2) > 1e-9 {
			t.Errorf("after %s: %v, %v; want 57.2", tc.name, s.Celsius, err)
		}
	}
}

func TestModbusConfigRefused(t *testing.T) {
	ok := serialtc.ModbusConfig{LineConf: serialtc.LineConfig{Port: "x"}, Slave: 1}
	if err := ok.Validate(); err != nil {
		t.Error(err)
	}
	for want, change := range map[string]func(*serialtc.ModbusConfig){
		"no serial port":    func(c *serialtc.ModbusConfig) { c.LineConf.Port = "" },
		"slave number 0":    func(c *serialtc.ModbusConfig) { c.Slave = 0 },
		"slave number 248":  func(c *serialtc.ModbusConfig) { c.Slave = 248 },
		"function 6":        func(c *serialtc.ModbusConfig) { c.Function = 6 },
		"register -1":       func(c *serialtc.ModbusConfig) { c.Register = -1 },
		"register 65536":    func(c *serialtc.ModbusConfig) { c.Register = 65536 },
		"register 65535":    func(c *serialtc.ModbusConfig) { c.Register = 65535; c.Type = "float32" },
		"number format":     func(c *serialtc.ModbusConfig) { c.Type = "float64" },
		"scale":             func(c *serialtc.ModbusConfig) { c.Scale = math.Inf(1) },
		"unit":              func(c *serialtc.ModbusConfig) { c.Unit = "X" },
		"its cold junction": func(c *serialtc.ModbusConfig) { c.Thermocouple = "K" },
		"needs the type":    func(c *serialtc.ModbusConfig) { c.Cold = ptr(20.0) },
	} {
		c := ok
		change(&c)
		if err := c.Validate(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
}
