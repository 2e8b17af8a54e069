package serialtc_test

import (
	"errors"
	"math"
	"net"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/sim/hardware"
)

// Whatever bytes come, a sample is finite and an error has a reason.
func FuzzText(f *testing.F) {
	for _, s := range []string{"5.2\n85.2\r\n", "\n185 \xb0F\n", "\nNaN\n", "\n\xff\x00\n", "\nmV=2.4 CJ=25\n", "\n1e999\n", "\nT=85C F=OPEN\n"} {
		f.Add([]byte(s), 3)
	}
	var parsers []*serialtc.LineParser
	for _, c := range []serialtc.TextConfig{
		{},
		{Pattern: `T=(?P<temp>.*?)(?P<unit>.) F=(?P<fault>.*)`},
		{Pattern: `mV=(?P<mv>.*) CJ=(?P<cold>.*)`, Thermocouple: "K"},
		{Pattern: `(?P<temp>.*)`, Unit: "F"},
	} {
		p, err := serialtc.NewLineParser(c)
		if err != nil {
			f.Fatal(err)
		}
		parsers = append(parsers, p)
	}
	f.Fuzz(func(t *testing.T, stream []byte, chunk int) {
		if chunk < 1 {
			chunk = 1
		}
		var chunks [][]byte
		for len(stream) > chunk {
			chunks, stream = append(chunks, stream[:chunk]), stream[chunk:]
		}
		for _, line := range serialtc.NewestLine(append(chunks, stream)...) {
			if len(line) > 257 {
				t.Fatalf("a line of %d bytes", len(line))
			}
			for _, p := range parsers {
				s, err := p.Parse(line)
				check(t, s, err)
			}
		}
	})
}

// check fails unless a sample is finite or the error names a reason.
func check(t *testing.T, s probe.Sample, err error) {
	t.Helper()
	if err == nil {
		if math.IsNaN(s.Celsius) || math.Abs(s.Celsius) > 1e7 {
			t.Errorf("sample %v", s.Celsius)
		}
		return
	}
	for _, r := range []error{probe.ErrCRC, probe.ErrGarbled, probe.ErrNoDevice, probe.ErrNotReady, probe.ErrRange, probe.ErrShort, probe.ErrOpen, probe.ErrTimeout} {
		if errors.Is(err, r) {
			return
		}
	}
	t.Errorf("error without a reason: %v", err)
}

// Arbitrary answer frames go through the Modbus library, over its RTU transport.
// A sample comes only from a frame that is right to the last bit.
func FuzzModbusAnswer(f *testing.F) {
	f.Add(hardware.Seal([]byte{1, 4, 2, 2, 60}))
	f.Add(hardware.Seal([]byte{1, 4, 2, 0x7F, 0xFF}))
	f.Add(hardware.Seal([]byte{1, 0x84, 2}))
	f.Add(hardware.Seal([]byte{2, 4, 2, 2, 60}))
	f.Add([]byte{1, 4, 2, 2, 60, 0, 0})
	f.Add([]byte{1, 4, 0xFF})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, answer []byte) {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Skip(err)
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			defer conn.Close()
			conn.SetDeadline(time.Now().Add(time.Second))
			req := make([]byte, 8)
			if _, err := conn.Read(req); err == nil {
				conn.Write(answer)
				conn.Read(req) // until the other side is done
			}
		}()
		defer func() { ln.Close(); <-done }()
		line := serialtc.LineOver("rtuovertcp://"+ln.Addr().String(), 5*time.Millisecond)
		s, err := serialtc.ReadOnce(t.Context(), serialtc.ModbusConfig{Line: line, Slave: 1, Scale: 0.1})
		check(t, s, err)
		if err == nil {
			v := int16(math.Round(s.Celsius * 10))
			want := hardware.Seal([]byte{1, 4, 2, byte(uint16(v) >> 8), byte(v)})
			if len(answer) < 7 || string(answer[:7]) != string(want) {
				t.Errorf("% x became %v", answer, s.Celsius)
			}
		}
	})
}
