package dashboard

import (
	"context"
	"encoding/json"
	"log/slog"
	"sync"
	"time"

	"example.org/meltstation/alerts/station"
)

// queueLength is how many messages a page may lag behind before it is dropped.
// With eight pots read once a second that is about eight seconds of updates, on
// top of what the network's own buffers hold.
const queueLength = 128

// message is one update, encoded once for all pages.
type message struct {
	seq  uint64
	data []byte // nil: something was missed, send a new snapshot
}

// ending is why a page's socket is closed by the station.
type ending struct {
	code   int // of RFC 6455, section 7.4.1
	reason string
	grace  time.Duration // for what is being written; then the connection is cut
}

// page is one open websocket, as the hub sees it.
type page struct {
	queue  chan message
	device string // id of the paired device; "" on this machine

	once   sync.Once
	ended  chan struct{} // closed once ending is set
	ending ending
	cut    context.CancelFunc // cuts the connection off
}

// end closes the page's socket, from outside its own goroutines. It never blocks.
func (p *page) end(e ending) {
	p.once.Do(func() {
		p.ending = e
		close(p.ended)
		time.AfterFunc(e.grace, p.cut)
	})
}

// hub hands every update of the station to every open page.
type hub struct {
	station Station
	log     *slog.Logger
	limit   int // of pages

	mu      sync.Mutex
	pages   map[*page]struct{}
	closed  bool
	dropped map[string]uint64 // closed by the station, by reason

	running sync.WaitGroup // pages
	recent  recent
}

func newHub(st Station, limit int, log *slog.Logger) *hub {
	return &hub{
		station: st,
		log:     log,
		limit:   limit,
		pages:   make(map[*page]struct{}),
		dropped: make(map[string]uint64),
	}
}

// run subscribes to the station until ctx ends. When the station closes the
// subscription, because this program was too busy to keep up, it subscribes
// again and has every page sent a new snapshot.
func (h *hub) run(ctx context.Context) {
	wait := 100 * time.Millisecond
	for {
		updates, cancel := h.station.Subscribe(1024)
		got := h.forward(ctx, updates)
		cancel()
		if ctx.Err() != nil {
			return
		}
		if got {
			wait = 100 * time.Millisecond
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		wait = min(2*wait, 5*time.Second)
		h.log.Warn("the page hub fell behind the station and starts again")
		h.broadcast(message{})
	}
}

// forward passes updates on until they end, and reports whether there was any.
func (h *hub) forward(ctx context.Context, updates <-chan station.Update) (got bool) {
	for {
		select {
		case <-ctx.Done():
			return got
		case u, ok := <-updates:
			if !ok {
				return got
			}
			got = true
			if u.Reading != nil {
				h.recent.add(u.PotID, *u.Reading)
			}
			data, err := json.Marshal(u)
			if err != nil { // a number that has no JSON form: the page shall see that one is missing
				h.log.Error("encoding an update for the pages", "type", u.Type, "error", err)
				h.broadcast(message{})
				continue
			}
			h.broadcast(message{seq: u.Seq, data: data})
		}
	}
}

// broadcast queues m for every page, and drops those whose queue is full.
func (h *hub) broadcast(m message) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for p := range h.pages {
		select {
		case p.queue <- m:
		default:
			h.endLocked(p, ending{closePolicy, "too slow", slowGrace})
		}
	}
}

// endLocked ends p and takes it off the list, so that nothing more is queued.
func (h *hub) endLocked(p *page, e ending) {
	if _, on := h.pages[p]; !on {
		return
	}
	delete(h.pages, p)
	h.dropped[e.reason]++
	p.end(e)
}

// end ends one page.
func (h *hub) end(p *page, e ending) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.endLocked(p, e)
}

// add puts a page on the list. It is refused when there are too many, or the
// station is stopping. After it, the caller must call remove.
func (h *hub) add(p *page) (ending, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return ending{code: closeGoingAway, reason: "the station is stopping"}, false
	case len(h.pages) >= h.limit:
		h.dropped["too many pages"]++
		return ending{code: closePolicy, reason: "too many pages"}, false
	}
	h.pages[p] = struct{}{}
	h.running.Add(1)
	return ending{}, true
}

// remove takes a page off the list at the end of its handler.
func (h *hub) remove(p *page) {
	h.mu.Lock()
	delete(h.pages, p)
	h.mu.Unlock()
	h.running.Done()
}

// removeDevice closes every page of one paired device.
func (h *hub) removeDevice(id string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for p := range h.pages {
		if p.device == id {
			h.endLocked(p, ending{closePolicy, deviceRemoved, shortGrace})
		}
	}
}

// close ends every page and waits until all are gone. No page joins after it.
func (h *hub) close() {
	h.mu.Lock()
	h.closed = true
	for p := range h.pages {
		h.endLocked(p, ending{closeGoingAway, "the station is stopping", shortGrace})
	}
	h.mu.Unlock()
	h.running.Wait()
}

// counts returns the pages now open, and those closed by the station so far.
func (h *hub) counts() (open int, dropped map[string]uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	dropped = make(map[string]uint64, len(h.dropped))
	for reason, n := range h.dropped {
		dropped[reason] = n
	}
	return len(h.pages), dropped
}

// Pages is how many pages are open.
func (s *Server) Pages() int {
	open, _ := s.hub.counts()
	return open
}
