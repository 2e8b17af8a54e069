package config

import (
	"fmt"
	"log/slog"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/probe/w1"
)

// ProbeSpecs are the file's probes, ready to be opened. Modbus probes on one
// port share one line. Calibration is not in them yet.
func (c *Config) ProbeSpecs(log *slog.Logger) ([]probe.Spec, error) {
	lines := map[string]*serialtc.Line{}
	bulk := map[string]*w1.Bulk{}
	var out []probe.Spec
	for _, p := range c.Probes {
		s := p.Spec
		switch {
		case p.W1 != nil && p.Spec.Kind == "onewire":
			open, err := openBus(*p.W1)
			if err != nil {
				return nil, fmt.Errorf("probe %s: %w", s.ID, err)
			}
			s.Open = open
		case p.W1 != nil:
			b := bulk[p.W1.Root]
			if b == nil {
				b = &w1.Bulk{}
				bulk[p.W1.Root] = b
			}
			s.Open = w1.Open(p.W1.Root, p.W1.ID, w1.Options{Resolution: p.W1.Bits, Bulk: b, Log: log})
		case p.Text != nil:
			s.Open = serialtc.OpenText(*p.Text)
		case p.Modbus != nil:
			m := *p.Modbus
			line := lines[m.LineConf.Port]
			if line == nil {
				var err error
				if line, err = serialtc.NewLine(m.LineConf); err != nil {
					return nil, fmt.Errorf("probe %s: %w", s.ID, err)
				}
				lines[m.LineConf.Port] = line
			}
			m.Line = line
			s.Open = serialtc.OpenModbus(m)
		}
		out = append(out, s)
	}
	return out, nil
}

// openBus opens a sensor on a bus that periph drives itself.
func openBus(w W1) (probe.Opener, error) {
	return nil, fmt.Errorf("bus %q can't be opened", w.Bus)
}
