package hardware

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/creack/pty"
	"go.bug.st/serial"
)

// line is a pseudo-terminal: the fake writes and reads at one end, the driver
// opens the other by its path like any serial port.
type line struct {
	master, slave *os.File
	done          chan struct{}
	wg            sync.WaitGroup
	once          sync.Once
}

func openLine() (*line, error) {
	m, s, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("open pseudo-terminal: %w", err)
	}
	// The slave end stays open here, so that a driver that closes and reopens its
	// end doesn't hang up the line. Opened once as a serial port it is raw: no
	// echo, no line editing.
	p, err := serial.Open(s.Name(), &serial.Mode{BaudRate: 19200, DataBits: 8})
	if err == nil {
		err = p.Close()
	}
	if err != nil {
		m.Close()
		s.Close()
		return nil, fmt.Errorf("make pseudo-terminal raw: %w", err)
	}
	return &line{master: m, slave: s, done: make(chan struct{})}, nil
}

// close hangs up: the driver's next read fails as if the plug was pulled.
func (l *line) close() error {
	var err error
	l.once.Do(func() {
		close(l.done)
		err = errors.Join(l.slave.Close(), l.master.Close())
		l.wg.Wait()
	})
	return err
}

// send writes and gives up after a moment when nobody reads, as a real line
// loses what nobody listens to.
func (l *line) send(b []byte) error {
	l.master.SetWriteDeadline(time.Now().Add(100 * time.Millisecond))
	_, err := l.master.Write(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil
	}
	return err
}

// TextOptions say how a TextLine writes.
type TextOptions struct {
	Every  time.Duration                       // between lines; 0 = one second
	Format func(celsius float64) string        // the line with its ending; nil = "%.2f\r\n"
	Mangle func(n int, line []byte) []byte     // damage to the nth line (from 0); nil = none; a nil result sends nothing
	Start  []byte                              // sent once before the first line: rubbish, half a line
	Answer func(request []byte) (reply []byte) // non-nil: lines are sent only as replies to what is received
}

// TextLine is a thermometer that writes its temperature as text lines to a
// pseudo-terminal. It returns the path to open as a serial port, and a function
// that pulls the plug.
func TextLine(temp func() float64, o TextOptions) (path string, unplug func() error, err error) {
	l, err := openLine()
	if err != nil {
		return "", nil, err
	}
	if o.Every <= 0 {
		o.Every = time.Second
	}
	if o.Format == nil {
		o.Format = func(c float64) string { return fmt.Sprintf("%.2f\r\n", c) }
	}
	if o.Answer != nil {
		l.wg.Go(func() {
			buf := make([]byte, 256)
			for {
				n, err := l.master.Read(buf)
				if err != nil || l.send(o.Answer(buf[:n])) != nil {
					return
				}
			}
		})
		return l.slave.Name(), l.close, nil
	}
	l.wg.Go(func() {
		tick := time.NewTicker(o.Every)
		defer tick.Stop()
		if len(o.Start) > 0 && l.send(o.Start) != nil {
			return
		}
		for n := 0; ; n++ {
			out := []byte(o.Format(temp()))
			if o.Mangle != nil {
				out = o.Mangle(n, out)
			}
			if len(out) > 0 && l.send(out) != nil {
				return
			}
			select {
			case <-tick.C:
			case <-l.done:
				return
			}
		}
	})
	return l.slave.Name(), l.close, nil
}
