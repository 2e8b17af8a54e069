package serialtc_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/sim/hardware"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func ptr[T any](v T) *T { return &v }

func TestParseLine(t *testing.T) {
	fields := `^T=(?P<temp>[-+.0-9]+)(?P<unit>[CF]) F=(?P<fault>\w*)$`
	volts := `^mV=(?P<mv>[-+.0-9]+) CJ=(?P<cold>[-+.0-9]+)$`
	for _, tc := range []struct {
		name string
		conf serialtc.TextConfig
		line string
		want float64
		err  error
	}{
		{"plain", serialtc.TextConfig{}, "57.25", 57.25, nil},
		{"spaces", serialtc.TextConfig{}, "  -10.1 ", -10.1, nil},
		{"decimal comma", serialtc.TextConfig{}, "57,25", 57.25, nil},
		{"unit in the line", serialtc.TextConfig{}, "185 F", 85, nil},
		{"degree sign", serialtc.TextConfig{}, "185 °F", 85, nil},
		{"degree sign of Latin-1", serialtc.TextConfig{}, "85\xb0C", 85, nil},
		{"kelvin", serialtc.TextConfig{}, "358.15K", 85, nil},
		{"unit configured", serialtc.TextConfig{Unit: "F"}, "135", 57.2222, nil},
		{"the line's unit wins", serialtc.TextConfig{Unit: "F"}, "57.2C", 57.2, nil},
		{"fields", serialtc.TextConfig{Pattern: fields}, "T=85.0C F=0", 85, nil},
		{"fields, no fault", serialtc.TextConfig{Pattern: fields}, "T=85.0C F=", 85, nil},
		{"fields, open", serialtc.TextConfig{Pattern: fields}, "T=0.0C F=OPEN", 0, probe.ErrOpen},
		{"fields, short", serialtc.TextConfig{Pattern: fields}, "T=0.0C F=SHORT_GND", 0, probe.ErrShort},
		{"fields, two points", serialtc.TextConfig{Pattern: fields}, "T=8.5.0C F=0", 0, probe.ErrGarbled},
		{"millivolts with cold junction", serialtc.TextConfig{Pattern: volts, Thermocouple: "K"}, "mV=2.474085 CJ=25.0", 85, nil},
		{"millivolts out of range", serialtc.TextConfig{Pattern: volts, Thermocouple: "K"}, "mV=99 CJ=25.0", 0, probe.ErrRange},
		{"cold junction broken", serialtc.TextConfig{Pattern: volts, Thermocouple: "K"}, "mV=2.4 CJ=...", 0, probe.ErrGarbled},
		{"millivolts, fixed cold junction", serialtc.TextConfig{Pattern: `^(?P<mv>\S+)$`, Thermocouple: "T", Cold: ptr(25.0)}, "2.593098", 85, nil},
		{"not a number, said so", serialtc.TextConfig{}, "NaN", 0, probe.ErrOpen},
		{"open, said so", serialtc.TextConfig{}, "OPEN", 0, probe.ErrOpen},
		{"words", serialtc.TextConfig{}, "hello", 0, probe.ErrGarbled},
		{"two numbers", serialtc.TextConfig{}, "57.2 58.1", 0, probe.ErrGarbled},
		{"exponent", serialtc.TextConfig{}, "5e1", 0, probe.ErrGarbled},
		{"exponent let through by a pattern", serialtc.TextConfig{Pattern: `^(?P<temp>.*)$`}, "1e308", 0, probe.ErrGarbled},
		{"hexadecimal let through by a pattern", serialtc.TextConfig{Pattern: `^(?P<temp>.*)$`}, "0x1p-2", 0, probe.ErrGarbled},
		{"infinity let through by a pattern", serialtc.TextConfig{Pattern: `^(?P<temp>.*)$`}, "+Inf", 0, probe.ErrGarbled},
		{"NUL bytes of a parity error", serialtc.TextConfig{}, "5\x007.2", 0, probe.ErrGarbled},
		{"empty", serialtc.TextConfig{}, "", 0, probe.ErrGarbled},
		{"endless", serialtc.TextConfig{}, strings.Repeat("5", 300), 0, probe.ErrGarbled},
	} {
		p, err := serialtc.NewLineParser(tc.conf)
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		s, err := p.Parse([]byte(tc.line))
		if !errors.Is(err, tc.err) || (err == nil) != (tc.err == nil) || math.Abs(s.Celsius-tc.want) > 1e-4 {
			t.Errorf("%s: %q is %v, %v; want %v, %v", tc.name, tc.line, s.Celsius, err, tc.want, tc.err)
		}
	}
}

func TestTextConfigRefused(t *testing.T) {
	ok := serialtc.TextConfig{Port: "/dev/x"}
	if err := ok.Validate(); err != nil {
		t.Error(err)
	}
	for want, c := range map[string]serialtc.TextConfig{
		"no serial port":     {},
		"speed 7":            {Port: "x", Baud: 7},
		"parity \"maybe\"":   {Port: "x", Parity: "maybe"},
		"3 stop bits":        {Port: "x", StopBits: 3},
		"5 data bits":        {Port: "x", DataBits: 5},
		"missing closing )":  {Port: "x", Pattern: "(?P<temp>"},
		"needs a group":      {Port: "x", Pattern: `\d+`},
		"not \"tmp\"":        {Port: "x", Pattern: `(?P<tmp>\d+)`},
		"need the type":      {Port: "x", Pattern: `(?P<mv>\d+)`},
		"is not K, J, T":     {Port: "x", Pattern: `(?P<mv>\d+)`, Thermocouple: "S"},
		"its cold junction":  {Port: "x", Pattern: `(?P<mv>\d+)`, Thermocouple: "K"},
		"no converter works": {Port: "x", Pattern: `(?P<mv>\d+)`, Thermocouple: "K", Cold: ptr(200.0)},
		"only needed":        {Port: "x", Thermocouple: "K"},
		"unit \"R\"":         {Port: "x", Unit: "R"},
	} {
		if err := c.Validate(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
}

// Lines end in CR, LF or both, come in pieces, and the first, which may be a
// tail, never counts.
func TestSplitter(t *testing.T) {
	for _, tc := range []struct {
		in   []string
		want []string
	}{
		{[]string{"5.2\n85.2\n"}, []string{"85.2"}},
		{[]string{"5.2"}, nil},
		{[]string{"5.2\r", "\n85", ".2\r", "\n85.3\r\n"}, []string{"85.2", "85.3"}},
		{[]string{"\n1\r2\r3\r"}, []string{"3"}},
		{[]string{"\xff\xfe\x00garbage\n85.1\n\n\n"}, []string{"85.1"}},
		{[]string{"\n", strings.Repeat("9", 1000), "\n", "42\n"}, []string{strings.Repeat("9", 257), "42"}},
	} {
		var in [][]byte
		for _, s := range tc.in {
			in = append(in, []byte(s))
		}
		var got []string
		for _, l := range serialtc.NewestLine(in...) {
			got = append(got, string(l))
		}
		if fmt.Sprint(got) != fmt.Sprint(tc.want) {
			t.Errorf("%q gave %q, want %q", tc.in, got, tc.want)
		}
	}
}

// A thermometer on a pseudo-terminal: rubbish and half a line at the start,
// damaged lines in between, and the plug pulled at the end.
func TestTextOverPTY(t *testing.T) {
	var c atomic.Int64
	c.Store(5700)
	path, unplug, err := hardware.TextLine(func() float64 { return float64(c.Add(1)) / 100 }, hardware.TextOptions{
		Every: 2 * time.Millisecond,
		Start: []byte("\xff\xfe\x80\x00.2"),
		Mangle: func(n int, line []byte) []byte {
			switch {
			case n%7 == 3:
				return []byte("\xf0\x9f!!\r\n")
			case n%7 == 5:
				return nil
			}
			return line
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	defer unplug()
	src, err := serialtc.OpenText(serialtc.TextConfig{Port: path, Baud: 115200})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	good, bad := 0, 0
	last := 0.0
	for good < 50 {
		s, err := src.Read(t.Context())
		switch {
		case err == nil:
			if s.Celsius <= last || s.Celsius < 57 || s.Celsius > float64(c.Load())/100 {
				t.Fatalf("read %v after %v", s.Celsius, last)
			}
			last = s.Celsius
			good++
		case errors.Is(err, probe.ErrGarbled):
			bad++
		default:
			t.Fatal(err)
		}
	}
	if bad == 0 {
		t.Error("no damaged line was noticed")
	}
	unplug()
	for range 100 {
		if _, err = src.Read(t.Context()); errors.Is(err, probe.ErrNoDevice) {
			return
		}
	}
	t.Errorf("after the plug was pulled: %v", err)
}

func TestTextAsk(t *testing.T) {
	path, unplug, err := hardware.TextLine(nil, hardware.TextOptions{Answer: func(q []byte) []byte {
		if string(q) != "T?\r" {
			return []byte("huh?\r\n")
		}
		return []byte("61.50\r\n")
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer unplug()
	src, err := serialtc.OpenText(serialtc.TextConfig{Port: path, Ask: "T?\r"})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for range 3 {
		if s, err := src.Read(t.Context()); err != nil || s.Celsius != 61.5 {
			t.Fatalf("got %v, %v", s.Celsius, err)
		}
	}
}

func TestTextPortFaults(t *testing.T) {
	_, err := serialtc.OpenText(serialtc.TextConfig{Port: "/dev/ttyNOTHERE"})(t.Context())
	if !errors.Is(err, probe.ErrNoDevice) || !strings.Contains(probe.Mend("serial-text", probe.Classify(err), err), "meltstation probes") {
		t.Errorf("missing port: %v", err)
	}
	if _, err := serialtc.OpenText(serialtc.TextConfig{Port: "/dev/null"})(t.Context()); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("no serial port: %v", err)
	}
}

// What the system says when a port can't be opened, and the mend of each.
func TestOpenFault(t *testing.T) {
	for _, tc := range []struct {
		err, want error
		mend      string
	}{
		{syscall.EACCES, probe.ErrPermission, "group dialout"},
		{&os.PathError{Op: "open", Path: "/dev/ttyUSB0", Err: syscall.EACCES}, probe.ErrPermission, "group dialout"},
		{syscall.ENOENT, probe.ErrNoDevice, "plug the converter in"},
		{errors.New("anything else"), probe.ErrNoDevice, "plug the converter in"},
	} {
		err := serialtc.OpenFault("/dev/ttyUSB0", tc.err)
		if m := probe.Mend("serial-text", probe.Classify(err), err); !errors.Is(err, tc.want) || !strings.Contains(m, tc.mend) || !strings.Contains(err.Error(), "/dev/ttyUSB0") {
			t.Errorf("%v: %v (%s)", tc.err, err, m)
		}
	}
}

func TestPorts(t *testing.T) {
	ports, err := serialtc.Ports()
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range ports {
		if p.Name == "" || i > 0 && p.Name <= ports[i-1].Name {
			t.Errorf("ports %+v", ports)
		}
	}
}

// Close ends a read that waits for a line that never comes.
func TestTextClose(t *testing.T) {
	path, unplug, err := hardware.TextLine(hardware.Fixed(20), hardware.TextOptions{Mangle: func(int, []byte) []byte { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	defer unplug()
	src, err := serialtc.OpenText(serialtc.TextConfig{Port: path})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { _, err := src.Read(t.Context()); done <- err }()
	if err := src.Close(); err != nil {
		t.Error(err)
	}
	if err := <-done; !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("read ended with %v", err)
	}
	if err := src.Close(); err != nil {
		t.Errorf("second close: %v", err)
	}
}
