package config

import (
	"fmt"
	"log/slog"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/probe/w1"
	"example.org/meltstation/probe/w1/ds18b20"
)

// ProbeSpecs are the file's probes, ready to be opened. Modbus probes on one
// port share one line, sensors on one bus their conversions. Calibration is not in them yet.
func (c *Config) ProbeSpecs(log *slog.Logger) ([]probe.Spec, error) {
	lines := map[string]*serialtc.Line{}
	bulk := map[string]*w1.Bulk{}
	buses := map[string]*ds18b20.Line{}
	var out []probe.Spec
	for _, p := range c.Probes {
		s := p.Spec
		switch {
		case p.W1 != nil && p.Spec.Kind == "onewire":
			addr, err := ds18b20.ParseID(p.W1.ID)
			if err != nil {
				return nil, fmt.Errorf("probe %s: %w", s.ID, err)
			}
			bus := buses[p.W1.Bus]
			if bus == nil {
				bus = ds18b20.Host(p.W1.Bus)
				buses[p.W1.Bus] = bus
			}
			s.Open = bus.Open(addr, ds18b20.Options{Resolution: p.W1.Bits})
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
