package w1

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"example.org/meltstation/probe"
)

// Options of a sensor read through the kernel's files.
type Options struct {
	// Resolution in bits, 9 to 12; 0 leaves the sensor as it is. A conversion
	// takes 94, 188, 375 or 750 ms. Setting it usually needs root; a sensor that
	// can't be set is read as it is, with a line in the log.
	Resolution int
	// Bulk makes all sensors of a bus convert at once where the kernel can (since
	// 5.9). Share one among all sensors; nil = each converts when it is read.
	Bulk *Bulk
	// RetryAfter is the wait before an empty answer is asked for again, up to
	// three times; 0 = 100 ms.
	RetryAfter time.Duration
	Log        *slog.Logger // nil = no log
}

// Open gives the opener of the sensor with the given id under root ("" =
// DefaultRoot). A read can block for seconds in the kernel and can't be
// interrupted: the caller sets the deadline from outside, as the supervisor does.
func Open(root, id string, o Options) probe.Opener {
	if root == "" {
		root = DefaultRoot
	}
	if o.RetryAfter <= 0 {
		o.RetryAfter = 100 * time.Millisecond
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return func(context.Context) (probe.Source, error) {
		k := &kernel{dir: filepath.Join(root, id), o: o}
		family, ok := familyOf(id)
		if !ok {
			return nil, &probe.Fault{Op: "open", Where: id, Err: fmt.Errorf("not a 1-Wire id: %w", probe.ErrNoDevice),
				Hint: "a 1-Wire id is two hex digits, a dash and twelve more, as 28-0316a2795bff; \"meltstation probes\" lists those attached"}
		}
		k.family = family
		if _, err := os.Stat(k.dir); err != nil {
			return nil, k.gone(root, "open", err)
		}
		k.root = root
		if real, err := filepath.EvalSymlinks(k.dir); err == nil {
			k.bus = filepath.Dir(real)
		}
		if o.Resolution != 0 {
			k.setResolution(o.Resolution)
		}
		return k, nil
	}
}

type kernel struct {
	root, dir, bus string
	family         byte
	o              Options
	bulkSeen       uint64
}

var _ probe.Source = (*kernel)(nil)

// Close has nothing to close: the files are opened for each read, which is what
// starts a conversion.
func (k *kernel) Close() error { return nil }

// gone explains why the sensor's files can't be read.
func (k *kernel) gone(root, op string, err error) error {
	f := &probe.Fault{Op: op, Where: k.dir}
	switch {
	case errors.Is(err, fs.ErrPermission):
		f.Err = fmt.Errorf("%w: %w", probe.ErrPermission, err)
	case errors.Is(err, fs.ErrNotExist):
		f.Err = fmt.Errorf("sensor not attached: %w", probe.ErrNoDevice)
		if _, derr := Discover(root); derr != nil {
			var why *probe.Fault
			if errors.As(derr, &why) {
				f.Hint = why.Hint
			}
		}
	default: // EIO, ENODEV: the sensor went while it was read
		f.Err = fmt.Errorf("%w: %w", probe.ErrNoDevice, err)
	}
	return f
}

func (k *kernel) Read(ctx context.Context) (probe.Sample, error) {
	if k.o.Bulk != nil && k.bus != "" {
		k.bulkSeen = k.o.Bulk.ready(ctx, k.bus, k.dir, k.bulkSeen)
	}
	var err error
	for try := range 4 {
		if try > 0 { // the answer was empty
			t := time.NewTimer(k.o.RetryAfter)
			select {
			case <-ctx.Done():
				t.Stop()
				return probe.Sample{}, &probe.Fault{Op: "read", Where: k.dir, Err: probe.ErrNotReady}
			case <-t.C:
			}
		}
		var s probe.Sample
		if s, err = k.read(); err == nil || !errors.Is(err, probe.ErrNotReady) {
			return s, err
		}
	}
	return probe.Sample{}, err
}

func (k *kernel) read() (probe.Sample, error) {
	name := filepath.Join(k.dir, "w1_slave")
	text, err := readFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		// Some kernels are built without w1_slave.
		name = filepath.Join(k.dir, "temperature")
		if text, err = readFile(name); err == nil {
			s, err := ParseTemperature(k.family, text)
			return s, wrap(name, err)
		}
	}
	if err != nil {
		return probe.Sample{}, k.gone(k.root, "read", err)
	}
	sp, err := ParseSlave(text)
	if err != nil {
		return probe.Sample{}, wrap(name, err)
	}
	s, err := Decode(k.family, sp)
	return s, wrap(name, err)
}

func wrap(name string, err error) error {
	if err == nil {
		return nil
	}
	f := &probe.Fault{Op: "read", Where: name, Err: err}
	if errors.Is(err, probe.ErrNotReady) {
		f.Hint = "the kernel keeps giving an empty answer, which newer kernels do when the bytes are damaged: check plug, joints and cable length"
	}
	return f
}

// readFile reads a kernel file of which at most 4 kB are wanted.
func readFile(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, 4096))
}

// ParseSlave takes the scratchpad from the text of a w1_slave file: two lines,
//
//	72 01 4b 46 7f ff 0e 10 57 : crc=57 YES
//	72 01 4b 46 7f ff 0e 10 57 t=23125
//
// Only the first line counts, and only if it says YES: the second repeats the
// last good bytes, with a number from the bad ones. An empty text wraps
// ErrNotReady: kernels since 2020 answer so when the checksum fails, when no
// sensor answers and while a bulk conversion runs.
func ParseSlave(text []byte) (sp [9]byte, err error) {
	if len(text) == 0 {
		return sp, fmt.Errorf("empty: %w", probe.ErrNotReady)
	}
	first, _, found := bytes.Cut(text, []byte("\n"))
	if !found {
		return sp, fmt.Errorf("no second line: %w", probe.ErrGarbled)
	}
	f := bytes.Fields(first)
	if len(f) != 12 || string(f[9]) != ":" || !bytes.HasPrefix(f[10], []byte("crc=")) {
		return sp, fmt.Errorf("first line %.60q: %w", first, probe.ErrGarbled)
	}
	for i := range sp {
		if len(f[i]) != 2 {
			return sp, fmt.Errorf("byte %d %.20q: %w", i, f[i], probe.ErrGarbled)
		}
		hi, ok1 := hexDigit(f[i][0])
		lo, ok2 := hexDigit(f[i][1])
		if !ok1 || !ok2 {
			return sp, fmt.Errorf("byte %d %.20q: %w", i, f[i], probe.ErrGarbled)
		}
		sp[i] = hi<<4 | lo
	}
	switch string(f[11]) {
	case "YES":
		return sp, nil
	case "NO":
		if sp == [9]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF} {
			return sp, fmt.Errorf("nobody drives the bus: %w", probe.ErrNoDevice)
		}
		return sp, fmt.Errorf("the kernel says NO to % x: %w", sp, probe.ErrCRC)
	}
	return sp, fmt.Errorf("first line %.60q: %w", first, probe.ErrGarbled)
}

// ParseTemperature reads the text of a temperature file: millidegrees, cut toward
// zero by the kernel (25.0625 °C is 25062, -0.0625 °C is -62). The digits the
// cut took are put back: every family here counts in sixteenths, except the
// DS18S20. Without the sensor's bytes a zero can't be told from a shorted bus
// and is refused, and 85000 may be the power-on value.
func ParseTemperature(family byte, text []byte) (probe.Sample, error) {
	if len(text) == 0 {
		return probe.Sample{}, fmt.Errorf("empty: %w", probe.ErrNotReady)
	}
	t := strings.TrimSuffix(string(text), "\n")
	if len(t) > 8 {
		return probe.Sample{}, fmt.Errorf("%.20q: %w", t, probe.ErrGarbled)
	}
	milli, err := strconv.ParseInt(t, 10, 32)
	if err != nil || strings.HasPrefix(t, "+") {
		return probe.Sample{}, fmt.Errorf("%.20q: %w", t, probe.ErrGarbled)
	}
	if milli == 0 {
		return probe.Sample{}, fmt.Errorf("exactly 0, which a shorted bus shows too: %w", probe.ErrShort)
	}
	c := float64(milli) / 1000
	if family != 0x10 {
		if s := math.Round(c*16) / 16; math.Abs(s-c) < 0.001 {
			c = s
		}
	}
	if c < -55.5 || c > 125.75 {
		return probe.Sample{}, fmt.Errorf("%.3f °C: %w", c, probe.ErrRange)
	}
	return probe.Sample{Celsius: c, MaybePowerOn: milli == 85000}, nil
}

// setResolution asks for a resolution; a sensor that has it already is left
// alone, since each change may cost a write.
func (k *kernel) setResolution(bits int) {
	name := filepath.Join(k.dir, "resolution")
	if b, err := readFile(name); err == nil && strings.TrimSpace(string(b)) == strconv.Itoa(bits) {
		return
	}
	f, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err == nil {
		_, err = fmt.Fprintf(f, "%d\n", bits)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		k.o.Log.Warn("the sensor keeps its resolution", "sensor", filepath.Base(k.dir), "wanted_bits", bits, "err", err)
	}
}

// Bulk lets all sensors of a bus convert at once: twenty sensors then take one
// conversion's time instead of twenty. A sensor that is alone on its bus converts
// by itself. Its zero value is ready.
type Bulk struct {
	mu    sync.Mutex
	buses map[string]*bulkBus
}

type bulkBus struct {
	sensors map[string]bool // that have read; under Bulk.mu

	turn   chan struct{} // one token: whoever has it uses the rest
	round  uint64
	done   time.Time // when the last round was over
	absent bool      // this kernel has no bulk conversion, or we may not ask for it
}

// ready makes sure that the bus has done a bulk conversion the sensor has not
// read yet (seen is the last round it read) and returns that round. When bulk
// conversion can't be had the sensor simply converts by itself.
func (b *Bulk) ready(ctx context.Context, bus, sensor string, seen uint64) uint64 {
	b.mu.Lock()
	if b.buses == nil {
		b.buses = map[string]*bulkBus{}
	}
	s := b.buses[bus]
	if s == nil {
		s = &bulkBus{turn: make(chan struct{}, 1), sensors: map[string]bool{}}
		s.turn <- struct{}{}
		b.buses[bus] = s
	}
	s.sensors[sensor] = true
	alone := len(s.sensors) == 1
	b.mu.Unlock()
	if alone {
		return seen
	}
	select {
	case <-s.turn:
		defer func() { s.turn <- struct{}{} }()
	case <-ctx.Done():
		return seen
	}
	if s.absent || s.round > seen && time.Since(s.done) < bulkFresh {
		return s.round
	}
	name := filepath.Join(bus, "therm_bulk_read")
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_TRUNC, 0)
	if err == nil {
		_, err = f.WriteString("trigger\n")
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		s.absent = true
		return s.round
	}
	// -1 while a sensor still converts, 1 when all are done and unread, 0 when all
	// were read.
	for range 100 {
		text, err := readFile(name)
		if st := strings.TrimSpace(string(text)); err != nil || st == "1" || st == "0" {
			break
		}
		t := time.NewTimer(20 * time.Millisecond)
		select {
		case <-ctx.Done():
			t.Stop()
			return s.round
		case <-t.C:
		}
	}
	s.round, s.done = s.round+1, time.Now()
	return s.round
}

// bulkFresh is how long a bulk conversion stands for the present temperature:
// long enough for all sensors of a bus to be read in turn.
const bulkFresh = 500 * time.Millisecond
