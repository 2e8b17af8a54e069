package serialtc

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"go.bug.st/serial"

	"example.org/meltstation/probe"
)

// TextConfig describes a converter that writes lines of text.
type TextConfig struct {
	Port     string
	Baud     int    // 0 = 9600
	DataBits int    // 0 = 8
	Parity   string // "none" (the default), "even", "odd"
	StopBits int    // 0 = 1

	// Pattern finds the reading in a line: a regular expression (RE2) with the
	// named groups temp or mv, and if wanted unit, fault and cold. "" takes lines
	// that hold one number, with or without a unit: "57.25", "57,25 C", "135 °F".
	Pattern string
	Unit    string // "C" (the default), "F" or "K", where the line has none
	// Thermocouple is "K", "J", "T" or "N" when the pattern has mv: the line gives
	// millivolts.
	Thermocouple string
	// Cold is the converter's cold junction in °C when the line does not tell it
	// (group cold, in the line's unit).
	Cold *float64
	// Ask is sent before each line is awaited, for a converter that only answers.
	Ask string
}

// Validate says what is wrong with a configuration, before any port is opened.
func (c TextConfig) Validate() error {
	if _, err := c.mode(); err != nil {
		return err
	}
	_, err := NewLineParser(c)
	return err
}

func (c TextConfig) mode() (*serial.Mode, error) {
	if c.Port == "" {
		return nil, errors.New("no serial port given")
	}
	m := &serial.Mode{BaudRate: cmp.Or(c.Baud, 9600), DataBits: cmp.Or(c.DataBits, 8)}
	if m.BaudRate < 50 || m.BaudRate > 4_000_000 {
		return nil, fmt.Errorf("speed %d is no speed of a serial port", c.Baud)
	}
	if m.DataBits != 7 && m.DataBits != 8 {
		return nil, fmt.Errorf("%d data bits: a text line has 7 or 8", c.DataBits)
	}
	p, err := parity(c.Parity, "none")
	if err != nil {
		return nil, err
	}
	m.Parity = map[string]serial.Parity{"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}[p]
	switch c.StopBits {
	case 0, 1:
	case 2:
		m.StopBits = serial.TwoStopBits
	default:
		return nil, fmt.Errorf("%d stop bits: 1 or 2", c.StopBits)
	}
	return m, nil
}

// maxLine is the longest line kept, in bytes; a longer one is garbled.
const maxLine = 256

// LineParser turns one line into a sample. It keeps no state.
type LineParser struct {
	re                           *regexp.Regexp
	temp, unit, fault, mv, coldG int // group numbers, -1 = none
	std                          string
	tc                           thermocouple
}

// oneNumber is the pattern for lines that hold one number.
const oneNumber = `^\s*(?P<temp>[+-]?\d{1,5}(?:[.,]\d{1,6})?|(?i:nan|open))\s*(?:°?\s*(?P<unit>[CFK]))?\s*$`

// a number as converters print it: no exponent, no hex, no "Inf".
var plainNumber = regexp.MustCompile(`^[+-]?[0-9]{1,6}([.,][0-9]{1,9})?$`)

// NewLineParser compiles the configuration's pattern.
func NewLineParser(c TextConfig) (*LineParser, error) {
	re, err := regexp.Compile(cmp.Or(c.Pattern, oneNumber))
	if err != nil {
		return nil, fmt.Errorf("pattern: %w", err)
	}
	for _, n := range re.SubexpNames() {
		switch n {
		case "", "temp", "unit", "fault", "mv", "cold":
		default:
			return nil, fmt.Errorf("pattern: a group may be named temp, unit, fault, mv or cold, not %q", n)
		}
	}
	if _, err := unit(c.Unit, 0); err != nil {
		return nil, err
	}
	p := &LineParser{re: re, std: c.Unit, temp: re.SubexpIndex("temp"), unit: re.SubexpIndex("unit"),
		fault: re.SubexpIndex("fault"), mv: re.SubexpIndex("mv"), coldG: re.SubexpIndex("cold")}
	switch {
	case p.temp < 0 && p.mv < 0:
		return nil, errors.New("pattern: it needs a group (?P<temp>…) or (?P<mv>…) around the number")
	case p.mv >= 0 && p.temp >= 0:
		return nil, errors.New("pattern: either temp or mv, not both")
	case p.mv >= 0 && c.Thermocouple == "":
		return nil, errors.New("pattern: millivolts (mv) need the type of thermocouple")
	case p.mv < 0 && c.Thermocouple != "":
		return nil, errors.New("the type of thermocouple is only needed for a pattern with millivolts (mv)")
	}
	if p.tc, err = newThermocouple(c.Thermocouple, c.Cold, p.coldG >= 0); err != nil {
		return nil, err
	}
	return p, nil
}

// Parse reads one line without its ending. The error wraps probe.ErrGarbled,
// ErrOpen, ErrShort or ErrRange.
func (p *LineParser) Parse(line []byte) (probe.Sample, error) {
	if len(line) > maxLine {
		return probe.Sample{}, fmt.Errorf("a line of %d bytes: %w", len(line), probe.ErrGarbled)
	}
	text := line
	if !utf8.Valid(text) { // a lone B0h is the degree sign of Latin-1
		text = bytes.ReplaceAll(text, []byte{0xB0}, []byte("°"))
	}
	m := p.re.FindSubmatch(text)
	if m == nil {
		return probe.Sample{}, fmt.Errorf("line %.40q doesn't match the pattern: %w", line, probe.ErrGarbled)
	}
	group := func(i int) string {
		if i < 0 {
			return ""
		}
		return string(bytes.TrimSpace(m[i]))
	}
	if f := group(p.fault); f != "" {
		if err := faultWord(f); err != nil {
			return probe.Sample{}, err
		}
	}
	u := cmp.Or(group(p.unit), p.std)
	if p.mv >= 0 {
		mv, err := number(group(p.mv))
		if err != nil {
			return probe.Sample{}, err
		}
		cold := 0.0
		if p.tc.cold != nil {
			cold = *p.tc.cold
		}
		if p.coldG >= 0 {
			if cold, err = number(group(p.coldG)); err != nil {
				return probe.Sample{}, fmt.Errorf("cold junction: %w", err)
			}
			if cold, err = unit(u, cold); err != nil {
				return probe.Sample{}, fmt.Errorf("%w: %w", probe.ErrGarbled, err)
			}
		}
		c, err := p.tc.celsius(mv, cold)
		return probe.Sample{Celsius: c}, err
	}
	v, err := number(group(p.temp))
	if err != nil {
		return probe.Sample{}, err
	}
	c, err := unit(u, v)
	if err != nil {
		return probe.Sample{}, fmt.Errorf("%w: %w", probe.ErrGarbled, err)
	}
	return probe.Sample{Celsius: c}, nil
}

func number(s string) (float64, error) {
	switch strings.ToLower(s) {
	case "nan", "open":
		return 0, fmt.Errorf("the converter says %q: %w", s, probe.ErrOpen)
	}
	if !plainNumber.MatchString(s) {
		return 0, fmt.Errorf("%.20q is no number: %w", s, probe.ErrGarbled)
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil {
		return 0, fmt.Errorf("%.20q is no number: %w", s, probe.ErrGarbled)
	}
	return v, nil
}

func faultWord(f string) error {
	l := strings.ToLower(f)
	switch {
	case l == "0", l == "ok", l == "none", l == "-":
		return nil
	case strings.Contains(l, "short"), strings.Contains(l, "scg"), strings.Contains(l, "scv"), strings.Contains(l, "gnd"), strings.Contains(l, "vcc"):
		return fmt.Errorf("the converter reports the fault %.20q: %w", f, probe.ErrShort)
	}
	return fmt.Errorf("the converter reports the fault %.20q: %w", f, probe.ErrOpen)
}

// splitter cuts a stream of bytes into lines that end in CR, LF or both. What
// comes before the first ending is dropped: it may be the tail of "85.2", and
// "5.2" is a temperature as well.
type splitter struct {
	whole bool // the line under way was seen from its start
	long  bool // it has outgrown maxLine
	line  []byte
}

// feed takes bytes and returns the newest line they complete, if any. A line that
// is too long comes back longer than maxLine, so that it is refused.
func (s *splitter) feed(b []byte) (newest []byte, ok bool) {
	for _, c := range b {
		if c == '\r' || c == '\n' {
			if s.whole && len(s.line) > 0 {
				newest, ok = append(newest[:0], s.line...), true
			}
			s.line, s.whole, s.long = s.line[:0], true, false
			continue
		}
		if s.long {
			continue
		}
		s.line = append(s.line, c)
		s.long = len(s.line) > maxLine
	}
	return newest, ok
}

// OpenText gives the opener of a converter that writes text lines. A read gives
// the newest whole line; older ones still waiting are passed over.
func OpenText(c TextConfig) probe.Opener {
	return func(context.Context) (probe.Source, error) {
		mode, err := c.mode()
		if err != nil {
			return nil, &probe.Fault{Op: "open", Where: c.Port, Err: fmt.Errorf("%w: %w", probe.ErrNoDevice, err), Hint: err.Error()}
		}
		p, err := NewLineParser(c)
		if err != nil {
			return nil, &probe.Fault{Op: "open", Where: c.Port, Err: fmt.Errorf("%w: %w", probe.ErrNoDevice, err), Hint: err.Error()}
		}
		port, err := serial.Open(c.Port, mode)
		if err != nil {
			return nil, openFault(c.Port, err)
		}
		// A short read timeout, so that Close never has to close the port under a
		// read that is under way.
		if err = port.SetReadTimeout(pollEvery); err == nil {
			err = port.ResetInputBuffer()
		}
		if err != nil {
			port.Close()
			return nil, openFault(c.Port, err)
		}
		return &text{c: c, p: p, port: port}, nil
	}
}

const pollEvery = 100 * time.Millisecond

type text struct {
	c      TextConfig
	p      *LineParser
	closed atomic.Bool
	mu     sync.Mutex // held while the port is used
	port   serial.Port
	split  splitter
	buf    [4096]byte
}

var _ probe.Source = (*text)(nil)

// Close ends a read that is under way within a tenth of a second.
func (t *text) Close() error {
	if t.closed.Swap(true) {
		return nil
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.port.Close()
}

func (t *text) fault(err error) error {
	return &probe.Fault{Op: "read", Where: t.c.Port, Err: err}
}

func (t *text) Read(ctx context.Context) (probe.Sample, error) {
	if t.c.Ask != "" {
		if err := t.ask(); err != nil {
			return probe.Sample{}, err
		}
	}
	seen := 0
	for {
		if ctx.Err() != nil {
			if seen > 0 {
				return probe.Sample{}, &probe.Fault{Op: "read", Where: t.c.Port,
					Err:  fmt.Errorf("%d bytes but no end of a line: %w", seen, probe.ErrGarbled),
					Hint: "bytes come but no lines: check the speed set for the port against the converter's sheet"}
			}
			return probe.Sample{}, t.fault(probe.ErrTimeout)
		}
		n, err := t.read()
		if err != nil {
			return probe.Sample{}, t.fault(fmt.Errorf("%w: %w", probe.ErrNoDevice, err))
		}
		if n == 0 {
			continue
		}
		seen += n
		line, ok := t.split.feed(t.buf[:n])
		// A full buffer means that more is waiting: pass over it, within reason.
		for drained := n; n == len(t.buf) && drained < 1<<16; drained += n {
			if n, err = t.read(); err != nil {
				break
			}
			if l, more := t.split.feed(t.buf[:n]); more {
				line, ok = l, true
			}
		}
		if !ok {
			continue
		}
		s, err := t.p.Parse(line)
		if err != nil {
			return s, t.fault(err)
		}
		return s, nil
	}
}

func (t *text) read() (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed.Load() {
		return 0, errors.New("closed")
	}
	return t.port.Read(t.buf[:])
}

// ask drops what came unasked and sends the question; the answer is then whole.
func (t *text) ask() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed.Load() {
		return t.fault(fmt.Errorf("closed: %w", probe.ErrNoDevice))
	}
	if err := t.port.ResetInputBuffer(); err != nil {
		return t.fault(fmt.Errorf("%w: %w", probe.ErrNoDevice, err))
	}
	t.split = splitter{whole: true, line: t.split.line[:0]}
	if _, err := t.port.Write([]byte(t.c.Ask)); err != nil {
		return t.fault(fmt.Errorf("ask: %w: %w", probe.ErrNoDevice, err))
	}
	return nil
}
