package station

import "sync"

// hub hands updates to every subscriber and waits for none of them: one whose
// buffer is full is dropped, and its channel closed.
type hub struct {
	mu   sync.Mutex
	seq  uint64
	subs map[chan Update]struct{}
}

// publish numbers u and hands it out.
func (h *hub) publish(u Update) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seq++
	u.Seq = h.seq
	for c := range h.subs {
		select {
		case c <- u:
		default:
			delete(h.subs, c)
			close(c)
		}
	}
}

// subscribe returns a channel of later updates, the number of the last one that
// is not among them, and a function that ends the subscription.
func (h *hub) subscribe(buffer int) (<-chan Update, uint64, func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.subs == nil {
		h.subs = map[chan Update]struct{}{}
	}
	c := make(chan Update, max(buffer, 1))
	h.subs[c] = struct{}{}
	return c, h.seq, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		if _, ok := h.subs[c]; ok {
			delete(h.subs, c)
			close(c)
		}
	}
}

// last returns the number of the last update.
func (h *hub) last() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.seq
}
