package serialtc

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/simonvetter/modbus"

	"example.org/meltstation/probe"
)

// LineConfig describes a serial line on which Modbus RTU is spoken.
type LineConfig struct {
	Port string
	Baud int // 0 = 19200
	// Parity is "even" (the default, as "MODBUS over serial line" V1.02 has it),
	// "odd" or "none". Many converters come set to none, against the standard.
	Parity   string
	StopBits int           // 0 = 1, or 2 without parity (same source)
	Timeout  time.Duration // for one answer; 0 = 300 ms
}

// Line is a serial line shared by one or more slaves. Their reads take turns.
type Line struct {
	conf   modbus.ClientConfiguration
	turn   chan struct{} // holds one token: whoever has it uses the client
	client *modbus.ModbusClient
	users  atomic.Int32
}

// NewLine checks a line's settings; the port is opened by the first read.
func NewLine(c LineConfig) (*Line, error) {
	conf, err := c.client()
	if err != nil {
		return nil, err
	}
	l := &Line{conf: conf, turn: make(chan struct{}, 1)}
	l.turn <- struct{}{}
	return l, nil
}

// client gives the library's settings, every one explicit: left alone it would
// take no parity with two stop bits, and write its log to standard output.
func (c LineConfig) client() (modbus.ClientConfiguration, error) {
	var none modbus.ClientConfiguration
	if c.Port == "" {
		return none, errors.New("no serial port given")
	}
	baud := cmp.Or(c.Baud, 19200)
	if !slices.Contains([]int{1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400}, baud) {
		return none, fmt.Errorf("speed %d is no usual speed of a Modbus line", c.Baud)
	}
	p, err := parity(c.Parity, "even")
	if err != nil {
		return none, err
	}
	stop := cmp.Or(c.StopBits, map[bool]int{true: 2, false: 1}[p == "none"])
	if stop != 1 && stop != 2 {
		return none, fmt.Errorf("%d stop bits: 1 or 2", c.StopBits)
	}
	if c.Timeout < 0 || c.Timeout > 10*time.Second {
		return none, fmt.Errorf("timeout of %v: at most 10 s", c.Timeout)
	}
	return modbus.ClientConfiguration{
		URL: "rtu://" + c.Port, Speed: uint(baud), DataBits: 8, StopBits: uint(stop),
		Parity:  map[string]uint{"none": modbus.PARITY_NONE, "even": modbus.PARITY_EVEN, "odd": modbus.PARITY_ODD}[p],
		Timeout: cmp.Or(c.Timeout, 300*time.Millisecond),
		Logger:  log.New(io.Discard, "", 0),
	}, nil
}

// ModbusConfig describes one slave.
type ModbusConfig struct {
	Line     *Line // nil = a line of its own, as set by the next field
	LineConf LineConfig

	Slave    int    // 1 to 247
	Function int    // 3 (holding registers) or 4 (input registers); 0 = 4
	Register int    // address from 0: documents often count from 1
	Type     string // see Types; "" = "int16"
	Scale    float64
	Unit     string // "C" (the default), "F" or "K"

	// OpenValues are register values that mean "no sensor"; nil = 7FFFh and 8000h
	// for int16, FFFFh for uint16 (common practice, no source). A float that is
	// not a number always means it.
	OpenValues []uint16

	// Thermocouple is "K", "J", "T" or "N" when the scaled value is millivolts.
	Thermocouple string
	Cold         *float64 // cold junction in °C; nil = read it from ColdRegister
	ColdRegister *int     // same function and type
	ColdScale    float64  // 0 = as Scale
}

// Types lists the number formats a register can hold. Two-register formats are
// named by the order of their bytes on the wire, highest A.
func Types() []string {
	return []string{"int16", "uint16", "int32", "float32", "float32-abcd", "float32-cdab", "float32-badc", "float32-dcba"}
}

// Validate says what is wrong with a configuration, before any port is opened.
func (c ModbusConfig) Validate() error {
	if c.Line == nil {
		if _, err := c.LineConf.client(); err != nil {
			return err
		}
	}
	_, err := c.prepare()
	return err
}

type slave struct {
	ModbusConfig
	tc    thermocouple
	words uint16
}

func (c ModbusConfig) prepare() (slave, error) {
	s := slave{ModbusConfig: c}
	s.Function = cmp.Or(c.Function, 4)
	s.Type = cmp.Or(c.Type, "int16")
	s.Scale = cmp.Or(c.Scale, 1)
	s.ColdScale = cmp.Or(c.ColdScale, s.Scale)
	switch {
	case c.Slave < 1 || c.Slave > 247:
		return s, fmt.Errorf("slave number %d: 1 to 247", c.Slave)
	case s.Function != 3 && s.Function != 4:
		return s, fmt.Errorf("function %d: 3 (holding registers) or 4 (input registers)", c.Function)
	case !slices.Contains(Types(), s.Type):
		return s, fmt.Errorf("number format %q is none of %v", c.Type, Types())
	case math.IsNaN(s.Scale) || math.IsInf(s.Scale, 0) || math.IsNaN(s.ColdScale) || math.IsInf(s.ColdScale, 0):
		return s, errors.New("scale must be a number")
	}
	s.words = 2
	if s.Type == "int16" || s.Type == "uint16" {
		s.words = 1
	}
	for _, r := range []*int{&c.Register, c.ColdRegister} {
		if r != nil && (*r < 0 || *r+int(s.words) > 1<<16) {
			return s, fmt.Errorf("register %d: 0 to %d", *r, 1<<16-int(s.words))
		}
	}
	if s.OpenValues == nil {
		switch s.Type {
		case "int16":
			s.OpenValues = []uint16{0x7FFF, 0x8000}
		case "uint16":
			s.OpenValues = []uint16{0xFFFF}
		}
	}
	if _, err := unit(c.Unit, 0); err != nil {
		return s, err
	}
	if c.Thermocouple == "" && (c.Cold != nil || c.ColdRegister != nil) {
		return s, errors.New("a cold junction needs the type of thermocouple")
	}
	var err error
	s.tc, err = newThermocouple(c.Thermocouple, c.Cold, c.ColdRegister != nil)
	return s, err
}

// decode turns registers into a number. The error wraps probe.ErrOpen.
func (s *slave) decode(regs []uint16) (float64, error) {
	if s.words == 1 {
		if slices.Contains(s.OpenValues, regs[0]) {
			return 0, fmt.Errorf("register holds %04Xh: %w", regs[0], probe.ErrOpen)
		}
		if s.Type == "int16" {
			return float64(int16(regs[0])), nil
		}
		return float64(regs[0]), nil
	}
	hi, lo := regs[0], regs[1]
	swap := func(w uint16) uint16 { return w<<8 | w>>8 }
	switch s.Type {
	case "float32-cdab":
		hi, lo = lo, hi
	case "float32-badc":
		hi, lo = swap(hi), swap(lo)
	case "float32-dcba":
		hi, lo = swap(lo), swap(hi)
	}
	bits := uint32(hi)<<16 | uint32(lo)
	if s.Type == "int32" {
		return float64(int32(bits)), nil
	}
	v := float64(math.Float32frombits(bits))
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("registers hold %08Xh, not a number: %w", bits, probe.ErrOpen)
	}
	return v, nil
}

// OpenModbus gives the opener of one slave. Opening reads it once, so that a
// slave that doesn't answer is not called open.
func OpenModbus(c ModbusConfig) probe.Opener {
	line := c.Line
	var lineErr error
	if line == nil {
		line, lineErr = NewLine(c.LineConf)
	}
	s, err := c.prepare()
	err = errors.Join(lineErr, err)
	return func(ctx context.Context) (probe.Source, error) {
		if err != nil {
			return nil, &probe.Fault{Op: "open", Where: "modbus", Err: fmt.Errorf("%w: %w", probe.ErrNoDevice, err), Hint: err.Error()}
		}
		line.users.Add(1)
		src := &modbusSource{s: s, line: line}
		if _, err := src.Read(ctx); err != nil && !errors.Is(err, probe.ErrOpen) && !errors.Is(err, probe.ErrRange) {
			src.Close()
			return nil, err
		}
		return src, nil
	}
}

type modbusSource struct {
	s      slave
	line   *Line
	closed atomic.Bool
}

var _ probe.Source = (*modbusSource)(nil)

// Close lets go of the line, and closes its port when no slave uses it any more.
// A request under way ends by its own timeout first.
func (m *modbusSource) Close() error {
	if m.closed.Swap(true) {
		return nil
	}
	if m.line.users.Add(-1) == 0 {
		<-m.line.turn
		defer func() { m.line.turn <- struct{}{} }()
		if m.line.users.Load() == 0 {
			m.line.hangUp()
		}
	}
	return nil
}

func (m *modbusSource) Read(ctx context.Context) (probe.Sample, error) {
	if m.closed.Load() {
		return probe.Sample{}, m.fault(fmt.Errorf("closed: %w", probe.ErrNoDevice))
	}
	v, err := m.value(ctx, m.s.Register, m.s.Scale)
	if err != nil {
		return probe.Sample{}, err
	}
	if m.s.tc.typ != 0 {
		cold := 0.0
		if m.s.Cold != nil {
			cold = *m.s.Cold
		} else if cold, err = m.value(ctx, *m.s.ColdRegister, m.s.ColdScale); err != nil {
			return probe.Sample{}, err
		} else if cold, err = unit(m.s.Unit, cold); err != nil {
			return probe.Sample{}, m.fault(fmt.Errorf("%w: %w", probe.ErrGarbled, err))
		}
		c, err := m.s.tc.celsius(v, cold)
		if err != nil {
			return probe.Sample{}, m.fault(err)
		}
		return probe.Sample{Celsius: c}, nil
	}
	c, err := unit(m.s.Unit, v)
	if err != nil {
		return probe.Sample{}, m.fault(fmt.Errorf("%w: %w", probe.ErrGarbled, err))
	}
	return probe.Sample{Celsius: c}, nil
}

func (m *modbusSource) value(ctx context.Context, register int, scale float64) (float64, error) {
	regs, err := m.line.read(ctx, byte(m.s.Slave), m.s.Function, uint16(register), m.s.words)
	if err != nil {
		var f *probe.Fault
		if errors.As(err, &f) {
			return 0, err
		}
		return 0, m.fault(err)
	}
	v, err := m.s.decode(regs)
	if err != nil {
		return 0, m.fault(err)
	}
	return v * scale, nil
}

func (m *modbusSource) fault(err error) error {
	return &probe.Fault{Op: "read", Where: fmt.Sprintf("%s slave %d register %d", m.line.port(), m.s.Slave, m.s.Register), Err: err}
}

func (l *Line) port() string {
	return strings.TrimPrefix(l.conf.URL, "rtu://")
}

func (l *Line) hangUp() {
	if l.client != nil {
		l.client.Close()
		l.client = nil
	}
}

// read asks one slave, when its turn has come.
func (l *Line) read(ctx context.Context, unit byte, function int, register, words uint16) ([]uint16, error) {
	select {
	case <-l.turn:
		defer func() { l.turn <- struct{}{} }()
	case <-ctx.Done():
		return nil, fmt.Errorf("the line is busy: %w", probe.ErrTimeout)
	}
	if l.client == nil {
		c, err := modbus.NewClient(&l.conf)
		if err == nil {
			err = c.Open()
		}
		if err != nil {
			return nil, openFault(l.port(), err)
		}
		l.client = c
	}
	kind := modbus.INPUT_REGISTER
	if function == 3 {
		kind = modbus.HOLDING_REGISTER
	}
	if err := l.client.SetUnitId(unit); err != nil {
		return nil, err
	}
	regs, err := l.client.ReadRegisters(register, words, kind)
	if err == nil && len(regs) != int(words) {
		err = modbus.ErrProtocolError
	}
	if err != nil {
		reason, again := classify(err)
		if again {
			// An answer that comes late would be taken for that to the next question;
			// reopening the port drops it.
			l.hangUp()
		}
		return nil, reason
	}
	return regs, nil
}

// classify gives the reason behind a library error, and whether the line must be
// reopened to be in step again.
func classify(err error) (reason error, reopen bool) {
	wrap := func(r error) error { return fmt.Errorf("%w: %w", r, err) }
	var me modbus.Error
	if !errors.As(err, &me) {
		return wrap(probe.ErrNoDevice), true // the port itself failed: unplugged
	}
	switch me {
	case modbus.ErrRequestTimedOut:
		return wrap(probe.ErrTimeout), true
	case modbus.ErrBadCRC:
		return wrap(probe.ErrCRC), true
	case modbus.ErrShortFrame, modbus.ErrProtocolError, modbus.ErrBadUnitId:
		return wrap(probe.ErrGarbled), true
	case modbus.ErrAcknowledge, modbus.ErrServerDeviceBusy:
		return wrap(probe.ErrNotReady), false
	case modbus.ErrServerDeviceFailure, modbus.ErrMemoryParityError, modbus.ErrGWPathUnavailable, modbus.ErrGWTargetFailedToRespond:
		return wrap(probe.ErrNoDevice), false
	default: // illegal function, address or value, and what else a slave may say
		return wrap(probe.ErrGarbled), false
	}
}
