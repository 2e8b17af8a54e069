package dashboard

import (
	"net"
	"net/netip"
	"sync"
)

// limited is a listener that hangs up on connections beyond a number: from the
// network in all, from any one address of it, and from this machine, which is
// counted apart so that no crowd on the network locks it out. Waiting instead, as
// a simple limit would, lets one host lock everybody out.
type limited struct {
	net.Listener
	total, each int

	mu    sync.Mutex
	open  [2]int // from the network; from this machine
	peers map[netip.Addr]int
}

// sendBuffer is how many bytes may wait in the system for one connection, about
// half a minute of updates of a busy station (some systems take twice as many).
const sendBuffer = 128 << 10

// bound limits l; a zero limit is the default.
func bound(l net.Listener, total, each int) net.Listener {
	if total == 0 {
		total = 1024
	}
	if each == 0 {
		each = 64
	}
	return &limited{Listener: l, total: total, each: each, peers: make(map[netip.Addr]int)}
}

// Accept returns the next connection within the limits.
func (l *limited) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if tcp, ok := c.(*net.TCPConn); ok {
			// What waits here for a slow phone is old by the time it is seen, so there
			// shall be little of it. An error leaves the system's own size, as good.
			tcp.SetWriteBuffer(sendBuffer)
		}
		from := address(c.RemoteAddr())
		if !l.take(from) {
			c.Close()
			continue
		}
		return &counted{Conn: c, release: sync.OnceFunc(func() { l.release(from) })}, nil
	}
}

func class(from netip.Addr) int {
	if from.IsLoopback() {
		return 1
	}
	return 0
}

func (l *limited) take(from netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := class(from)
	if l.open[at] >= l.total || !from.IsLoopback() && l.peers[from] >= l.each {
		return false
	}
	l.open[at]++
	l.peers[from]++
	return true
}

func (l *limited) release(from netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open[class(from)]--
	if l.peers[from]--; l.peers[from] <= 0 {
		delete(l.peers, from)
	}
}

// counted gives its place back when it is closed.
type counted struct {
	net.Conn
	release func()
}

// Close closes the connection.
func (c *counted) Close() error {
	c.release()
	return c.Conn.Close()
}

func address(a net.Addr) netip.Addr {
	ap, err := netip.ParseAddrPort(a.String())
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}
