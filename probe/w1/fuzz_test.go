package w1_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"

	"periph.io/x/conn/v3/onewire"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/w1"
)

// No text makes a reading unless its bytes carry a matching checksum.
func FuzzSlave(f *testing.F) {
	b, err := os.ReadFile(checks + "w1_slave_samples.json")
	if err != nil {
		f.Fatal(err)
	}
	var samples map[string]string
	if err := json.Unmarshal(b, &samples); err != nil {
		f.Fatal(err)
	}
	for _, s := range samples {
		f.Add([]byte(s), byte(0x28))
		f.Add([]byte(s), byte(0x10))
	}
	f.Fuzz(func(t *testing.T, text []byte, family byte) {
		sp, err := w1.ParseSlave(text)
		if err != nil {
			reason(t, err)
			return
		}
		s, err := w1.Decode(family, sp)
		if err != nil {
			reason(t, err)
			return
		}
		if onewire.CalcCRC(sp[:8]) != sp[8] || w1.Model(family) == "" || math.IsNaN(s.Celsius) || s.Celsius < -55.5 || s.Celsius > 125.75 {
			t.Errorf("family %02x, % x became %v", family, sp, s)
		}
	})
}

func FuzzTemperature(f *testing.F) {
	for _, s := range []string{"", "21500\n", "-62\n", "85000\n", "0\n", "x", "127937\n"} {
		f.Add([]byte(s), byte(0x28))
	}
	f.Fuzz(func(t *testing.T, text []byte, family byte) {
		s, err := w1.ParseTemperature(family, text)
		if err != nil {
			reason(t, err)
		} else if math.IsNaN(s.Celsius) || s.Celsius < -55.5 || s.Celsius > 125.75 || s.Celsius == 0 {
			t.Errorf("%q became %v", text, s)
		}
	})
}

// reason fails unless an error names one of the reasons the supervisor knows.
func reason(t *testing.T, err error) {
	t.Helper()
	for _, r := range []error{probe.ErrCRC, probe.ErrGarbled, probe.ErrNoDevice, probe.ErrNotReady, probe.ErrRange, probe.ErrShort} {
		if errors.Is(err, r) {
			return
		}
	}
	t.Errorf("error without a reason: %v", err)
}
