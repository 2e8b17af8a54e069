package dashboard

//lint:file-ignore SA1019 the same library as the server's, for the pages of these benchmarks

import (
	"bytes"
	"context"
	"math/rand/v2"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"nhooyr.io/websocket"

	"example.org/meltstation/alerts/station"
)

// crowd is many pages on one server, with the time it took each update to reach
// each of them.
type crowd struct {
	b    *testing.B
	g    *rig
	addr string
	ctx  context.Context

	began time.Time
	mu    sync.Mutex
	late  []time.Duration
	gaps  atomic.Int64
	ready sync.WaitGroup
	gone  sync.WaitGroup
}

func newCrowd(b *testing.B, pages int) *crowd {
	c := &crowd{b: b, g: newRig(b, func(o *Options) { o.MaxPages, o.MaxConnections = 2*pages, 3*pages }), began: time.Now()}
	c.addr, _ = c.g.serve()
	ctx, cancel := context.WithCancel(context.Background())
	c.ctx = ctx
	b.Cleanup(func() { cancel(); c.gone.Wait() })
	until(b, "the hub", func() bool { return c.g.station.subscribers() == 1 })
	return c
}

func (c *crowd) dial() *websocket.Conn {
	conn, _, err := websocket.Dial(c.ctx, "ws://"+c.addr+"/api/v1/live", nil)
	if err != nil {
		if c.ctx.Err() == nil {
			c.b.Error(err)
		}
		return nil
	}
	conn.SetReadLimit(1 << 20)
	return conn
}

// reader opens a page that reads all until ctx ends.
func (c *crowd) reader(ctx context.Context, measured bool) {
	ready := sync.OnceFunc(func() {
		if measured {
			c.ready.Done()
		}
	})
	c.gone.Go(func() {
		defer ready()
		conn := c.dial()
		if conn == nil {
			return
		}
		defer conn.CloseNow()
		_, data, err := conn.Read(ctx) // the snapshot
		if err != nil {
			return
		}
		ready()
		last := field(data, `"seq":`)
		var late []time.Duration
		for {
			_, data, err := conn.Read(ctx)
			if err != nil {
				break
			}
			now := time.Since(c.began)
			seq := field(data, `"seq":`)
			if seq != last+1 {
				c.gaps.Add(1)
			}
			last = seq
			if at := field(data, `"detail":"`); at > 0 && measured {
				late = append(late, now-time.Duration(at))
			}
		}
		c.mu.Lock()
		c.late = append(c.late, late...)
		c.mu.Unlock()
	})
}

// field is the whole number that follows key in a message; 0 = there is none.
func field(data []byte, key string) int64 {
	_, rest, _ := bytes.Cut(data, []byte(key))
	var n int64
	for _, d := range rest {
		if d < '0' || d > '9' {
			break
		}
		n = 10*n + int64(d-'0')
	}
	return n
}

// mute opens a page that never reads.
func (c *crowd) mute() { openSmall(c.b, c.addr) }

// publish hands over one reading and the state of its pot, as a station does once a second.
func (c *crowd) publish(pots int) {
	view := c.g.station.Snapshot().Pots[0]
	for range pots {
		celsius := 71.5
		c.g.station.publish(station.Update{Type: "reading", PotID: "a", Reading: &station.ReadingView{
			Probe: "jug", Role: "pot", Celsius: &celsius, Quality: "good",
			Detail: strconv.FormatInt(int64(time.Since(c.began)), 10),
		}})
		view.Fan = make([]station.FanPoint, 60)
		c.g.station.publish(station.Update{Type: "pot", Pot: &view})
	}
}

// report gives the delays.
func (c *crowd) report(pages int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.late) == 0 {
		c.b.Fatal("nothing arrived")
	}
	slices.Sort(c.late)
	at := func(q float64) float64 {
		return float64(c.late[min(len(c.late)-1, int(q*float64(len(c.late))))]) / float64(time.Millisecond)
	}
	_, dropped := c.g.hub.counts()
	c.b.ReportMetric(at(0.5), "p50-ms")
	c.b.ReportMetric(at(0.99), "p99-ms")
	c.b.ReportMetric(at(1), "max-ms")
	c.b.ReportMetric(float64(pages), "pages")
	c.b.ReportMetric(float64(dropped["too slow"]+dropped["no answer"]), "dropped")
	c.b.ReportMetric(float64(c.gaps.Load()), "gaps")
	c.b.ReportMetric(0, "ns/op")
}

// BenchmarkReadingToPage: one pot at ten readings a second, 200 pages that read
// and one that reads nothing. Server and pages share this machine's cores.
//
//	go test -run '^$' -bench BenchmarkReadingToPage -benchtime 300x ./dashboard
func BenchmarkReadingToPage(b *testing.B) {
	const pages = 200
	c := newCrowd(b, pages)
	ctx, stop := context.WithCancel(c.ctx)
	c.ready.Add(pages)
	for range pages {
		c.reader(ctx, true)
	}
	c.mute()
	c.ready.Wait()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	b.ResetTimer()
	for range b.N {
		<-tick.C
		c.publish(1)
	}
	time.Sleep(300 * time.Millisecond)
	b.StopTimer()
	stop()
	c.gone.Wait()
	c.report(pages)
}

// BenchmarkCrowd: four pots read once a second, 500 pages of which five read
// nothing, and 50 more that come and go each second.
//
//	go test -run '^$' -bench BenchmarkCrowd -benchtime 30x ./dashboard
func BenchmarkCrowd(b *testing.B) {
	const pages, mutes, visitors = 500, 5, 50
	c := newCrowd(b, pages+visitors)
	ctx, stop := context.WithCancel(c.ctx)
	c.ready.Add(pages - mutes)
	for range pages - mutes {
		c.reader(ctx, true)
	}
	for range mutes {
		c.mute()
	}
	c.ready.Wait()
	c.gone.Go(func() { // the visitors
		tick := time.NewTicker(time.Second / visitors)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				visit, cancel := context.WithTimeout(ctx, time.Duration(500+rand.IntN(1000))*time.Millisecond)
				defer cancel()
				c.reader(visit, false)
			}
		}
	})
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	b.ResetTimer()
	for range b.N {
		<-tick.C
		c.publish(4)
	}
	time.Sleep(500 * time.Millisecond)
	b.StopTimer()
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.HeapInuse)/(1<<20), "heap-MiB")
	stop()
	c.gone.Wait()
	c.report(pages)
}
