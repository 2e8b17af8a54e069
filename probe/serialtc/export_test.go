package serialtc

import (
	"context"
	"time"

	"github.com/simonvetter/modbus"

	"example.org/meltstation/probe"
)

// ClientConf is what the Modbus library is told.
func ClientConf(c LineConfig) (modbus.ClientConfiguration, error) { return c.client() }

// NewestLine feeds chunks of bytes to a fresh splitter and gives every line that
// came out.
func NewestLine(chunks ...[]byte) (lines [][]byte) {
	var s splitter
	for _, c := range chunks {
		if l, ok := s.feed(c); ok {
			lines = append(lines, append([]byte(nil), l...))
		}
	}
	return lines
}

// LineOver makes a line whose frames run over another transport of the library,
// in place of the serial port.
func LineOver(url string, timeout time.Duration) *Line {
	conf, err := LineConfig{Port: "x"}.client()
	if err != nil {
		panic(err)
	}
	conf.URL, conf.Timeout = url, timeout
	l := &Line{conf: conf, turn: make(chan struct{}, 1)}
	l.turn <- struct{}{}
	return l
}

// ReadOnce reads a slave once without opening it first.
func ReadOnce(ctx context.Context, c ModbusConfig) (probe.Sample, error) {
	s, err := c.prepare()
	if err != nil {
		return probe.Sample{}, err
	}
	c.Line.users.Add(1)
	src := &modbusSource{s: s, line: c.Line}
	defer src.Close()
	return src.Read(ctx)
}

// OpenFault explains why a port can't be opened.
func OpenFault(port string, err error) error { return openFault(port, err) }
