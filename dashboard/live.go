package dashboard

//lint:file-ignore SA1019 nhooyr.io/websocket is maintained on under another import path with the same API; this is the only file that imports it, so that the move is one line

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"golang.org/x/time/rate"
	"nhooyr.io/websocket"

	"example.org/meltstation/alerts/station"
)

// Close codes of RFC 6455, section 7.4.1.
const (
	closeGoingAway   = int(websocket.StatusGoingAway)
	closePolicy      = int(websocket.StatusPolicyViolation)
	closeUnsupported = int(websocket.StatusUnsupportedData)
	closeBadText     = int(websocket.StatusInvalidFramePayloadData)
)

// Times and sizes of a socket.
const (
	slowGrace    = 10 * time.Second // for a slow page to take what is under way and learn why it is dropped
	shortGrace   = 1 * time.Second  // at shutdown, and when a device is removed
	writeTimeout = 10 * time.Second // of one message
	pingEvery    = 20 * time.Second // so that dead lines are noticed and home routers keep live ones
	pongTimeout  = 10 * time.Second
	aliveAfter   = 5 * time.Second // of nothing else sent
	maxMessage   = 1 << 10         // bytes from a page
)

// live is GET /api/v1/live. The library needs the bare ResponseWriter to take
// the connection over, so nothing on the way here may wrap it.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	// The Origin has been checked, together with the Host, for every request;
	// the library checks it once more.
	c, err := websocket.Accept(w, r, &websocket.AcceptOptions{CompressionMode: websocket.CompressionDisabled})
	if err != nil {
		s.log.Debug("a websocket was refused", "from", r.RemoteAddr, "error", err)
		return
	}
	defer c.CloseNow()
	c.SetReadLimit(maxMessage)

	who := identityOf(r)
	// Not the request's context: it ends in its own way once the connection is taken over.
	ctx, cut := context.WithCancel(context.Background())
	defer cut()
	p := &page{queue: make(chan message, queueLength), ended: make(chan struct{}), cut: cut, device: who.deviceID()}
	if e, ok := s.hub.add(p); !ok {
		s.farewell(ctx, c, e, c.CloseRead(ctx).Done())
		return
	}
	defer s.hub.remove(p)

	// A device may have been removed between the check of its token and here.
	if d := who.deviceID(); d != "" && !s.devices.Known(d) {
		s.farewell(ctx, c, ending{code: closePolicy, reason: deviceRemoved}, c.CloseRead(ctx).Done())
		return
	}

	resync := make(chan struct{}, 1)
	done := make(chan struct{}, 2)
	gone := make(chan struct{}) // closed when the page has said that it goes, or is cut off
	go func() { s.writePage(ctx, c, p, string(who.role), resync, gone); cut(); done <- struct{}{} }()
	go func() {
		if !pingPage(ctx, c) {
			s.hub.end(p, ending{closePolicy, "no answer", 0})
		}
		cut()
		done <- struct{}{}
	}()
	readPage(ctx, c, p, resync)
	close(gone)
	// Either side ended it. If the station did, the writer sends its close
	// frame first; in every other case there is nobody left to write to.
	select {
	case <-p.ended:
	default:
		cut()
	}
	<-done
	<-done
}

// writePage is the only writer of data messages: the snapshot, then updates.
func (s *Server) writePage(ctx context.Context, c *websocket.Conn, p *page, role string, resync, gone <-chan struct{}) {
	write := func(data []byte) bool {
		ctx, cancel := context.WithTimeout(ctx, writeTimeout)
		defer cancel()
		err := c.Write(ctx, websocket.MessageText, data)
		if err != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
			s.hub.end(p, ending{closePolicy, "too slow", 0})
		}
		return err == nil
	}
	var seen uint64 // updates up to this one are in what was sent
	snapshot := func() bool {
		snap := s.station.Snapshot()
		snap.Type, snap.Role = "snapshot", role
		data, err := json.Marshal(snap)
		if err != nil {
			s.log.Error("encoding a snapshot for a page", "error", err)
			p.end(ending{int(websocket.StatusInternalError), "the snapshot can't be encoded", shortGrace})
			return true
		}
		seen = snap.Seq
		return write(data)
	}
	if !snapshot() {
		return
	}
	idle := time.NewTimer(aliveAfter)
	defer idle.Stop()
	for {
		// An ending goes before what is still queued.
		select {
		case <-p.ended:
			if e := p.ending; e.reason == deviceRemoved || e.code == closeGoingAway {
				s.farewell(ctx, c, e, gone)
				return
			}
			c.Close(websocket.StatusCode(p.ending.code), p.ending.reason)
			return
		default:
		}
		ok := true
		select {
		case <-ctx.Done():
			return
		case <-p.ended:
			continue
		case <-resync:
			ok = snapshot()
		case m := <-p.queue:
			switch {
			case m.data == nil:
				ok = snapshot()
			case m.seq > seen:
				seen = m.seq
				ok = write(m.data)
			}
		case <-idle.C:
			data, _ := json.Marshal(alive{Type: "alive", Seq: seen, Now: s.now().UTC()})
			ok = write(data)
		}
		if !ok {
			return
		}
		idle.Reset(aliveAfter)
	}
}

// alive tells a page that the line is well when there is nothing else to say.
type alive struct {
	Type string    `json:"type"` // "alive"
	Seq  uint64    `json:"seq"`  // of the last update sent
	Now  time.Time `json:"now"`
}

// farewell ends a page that has done nothing wrong. It is told why and closes the
// line itself, which takes one close frame; the library sends a second one when the
// station begins, and browsers call that an error. A page that is mute, and any
// other program, gets the station's close frame a moment later.
func (s *Server) farewell(ctx context.Context, c *websocket.Conn, e ending, gone <-chan struct{}) {
	ctx, cancel := context.WithTimeout(ctx, shortGrace/2)
	defer cancel()
	data, _ := json.Marshal(station.Update{Type: "bye", Now: s.now().UTC(), Reason: e.reason})
	if c.Write(ctx, websocket.MessageText, data) == nil {
		select {
		case <-gone:
			return
		case <-ctx.Done():
		}
	}
	c.Close(websocket.StatusCode(e.code), e.reason)
}

// deviceRemoved is why a page is closed whose device was taken off the list.
const deviceRemoved = "device removed"

// readPage reads what a page sends, which is next to nothing, until the
// connection ends. Reading is also what answers pings and close frames.
func readPage(ctx context.Context, c *websocket.Conn, p *page, resync chan<- struct{}) {
	// Asking for a snapshot again and again is work for the station.
	allowed := rate.NewLimiter(rate.Every(time.Second), 5)
	for {
		kind, data, err := c.Read(ctx)
		if err != nil {
			return
		}
		e, ok := judgeMessage(kind == websocket.MessageText, data)
		if ok && !allowed.Allow() {
			e, ok = ending{code: closePolicy, reason: "too many messages"}, false
		}
		if !ok {
			e.grace = shortGrace
			p.end(e)
			continue // until the writer has closed it
		}
		select {
		case resync <- struct{}{}:
		default: // one is waiting already
		}
	}
}

// judgeMessage says whether a page's message is the one that is known, or how
// to end the page.
func judgeMessage(text bool, data []byte) (ending, bool) {
	if !text {
		return ending{code: closeUnsupported, reason: "text messages only"}, false
	}
	var m struct {
		Type string `json:"type"`
	}
	if err := decodeStrict(data, &m); err != nil {
		return ending{code: closeBadText, reason: "not the JSON that is known here"}, false
	}
	if m.Type != "snapshot" {
		return ending{code: closePolicy, reason: "no such message"}, false
	}
	return ending{}, true
}

// pingPage pings until ctx ends (true) or the page no longer answers (false).
func pingPage(ctx context.Context, c *websocket.Conn) bool {
	tick := time.NewTicker(pingEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return true
		case <-tick.C:
		}
		pong, cancel := context.WithTimeout(ctx, pongTimeout)
		err := c.Ping(pong)
		silent := pong.Err() != nil && ctx.Err() == nil
		cancel()
		if err != nil {
			return !silent // a line that the page itself has ended is none of ours
		}
	}
}
