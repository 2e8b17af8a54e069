package dashboard

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/dashboard/metrics"
	"example.org/meltstation/dashboard/pairing"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/trace"
)

// Options are what a Server is made of. Station is needed; a part left nil is
// answered for with 503 "unavailable".
type Options struct {
	Station Station
	Page    fs.FS    // index.html and pair.html at its root
	Public  []string // patterns of path.Match for files that unpaired devices may see; nil = DefaultPublic
	Log     *slog.Logger
	Now     func() time.Time // nil = time.Now

	Names        []string          // host names by which the network may address the station, besides its addresses
	Devices      *pairing.Registry // nil = those among the Documents
	TLS          *tls.Config       // of Run; nil = plain HTTP. Run wraps the listener itself, under its limits.
	Root         []byte            // PEM of the root that a phone may trust, where the station made its own; nil = none
	PublicURL    string            // where the network reaches the station, for QR codes asked for on this machine; "" = as asked
	MetricsToken string            // opens /metrics to who sends it as a bearer token; "" = no such token

	Documents   Documents         // preferences; nil = forgotten at the end
	Batches     Batches           // the trace
	StationName string            // on records
	ProbeNames  map[string]string // there, by the probe's id
	Location    *time.Location    // of times on paper; nil = UTC
	Recipes     Recipes
	Cooling     func(jug string, grams float64) *plan.Cooling // how a jug cools, from earlier batches; nil = not known
	Probes      func() []probe.Status
	Calibration *calibrate.Guide // given every reading by whoever made it; nil = calibrations can't be taken from the page
	Altitude    *float64         // m, of the station, where the settings say so; the page suggests it
	PushKey     string           // VAPID public key, base64url; "" = no push
	Push        *PushBook        // who is to be called

	Ready   []ReadyCheck    // of /readyz
	Metrics metrics.Sources // what /metrics shows besides the snapshot and the pages

	MaxPages       int // open websockets; 0 = 600
	MaxConnections int // of all kinds; 0 = 1024
	MaxPerPeer     int // connections from one network address; 0 = 64. This machine's own are not counted.
}

// DefaultPublic are the files that the pairing page needs.
var DefaultPublic = []string{"pair.*", "pair/*", "icons/*", "manifest.webmanifest", "favicon.*"}

// ReadyCheck is one line of /readyz.
type ReadyCheck struct {
	Name  string
	Check func(ctx context.Context) error // nil when all is well; else why not, in plain words
}

// Server serves the station over HTTP.
type Server struct {
	station      Station
	log          *slog.Logger
	now          func() time.Time
	devices      *pairing.Registry
	docs         Documents
	slots        chan struct{} // of heavy
	tests        *rate.Limiter // of testChannels
	names        map[string]bool
	public       []string
	metricsToken *[sha256.Size]byte
	ready        []ReadyCheck
	opts         Options
	book         *records.Book // nil without Batches

	assets  map[string]asset
	hub     *hub
	handler http.Handler
	panics  atomic.Uint64

	stop     context.CancelFunc
	stopOnce sync.Once
	hubDone  chan struct{}
}

// New makes a server and starts its hub; Close (or Run, at its end) stops it.
func New(opts Options) (*Server, error) {
	if opts.Station == nil {
		return nil, errors.New("the dashboard needs a station")
	}
	s := &Server{
		station: opts.Station,
		log:     opts.Log,
		now:     opts.Now,
		devices: opts.Devices,
		names:   make(map[string]bool),
		public:  opts.Public,
		ready:   opts.Ready,
		docs:    opts.Documents,
		slots:   make(chan struct{}, 3),
		tests:   rate.NewLimiter(rate.Every(10*time.Second), 2),
		opts:    opts,
		hubDone: make(chan struct{}),
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.now == nil {
		s.now = time.Now
	}
	if s.public == nil {
		s.public = DefaultPublic
	}
	if s.docs == nil {
		s.docs = &memoryDocs{}
	}
	if opts.Batches != nil {
		s.book = &records.Book{Store: opts.Batches, Station: opts.StationName, Location: opts.Location, Now: s.now, PotName: potNames(opts.Station), Units: alerts.Units{Probes: opts.ProbeNames}}
	}
	for _, n := range opts.Names {
		if n = hostname(n); n != "" && !isLoopbackName(n) {
			s.names[n] = true
		}
	}
	if opts.MetricsToken != "" {
		sum := sha256.Sum256([]byte(opts.MetricsToken))
		s.metricsToken = &sum
	}
	var err error
	if s.devices == nil {
		// Real time, even where the station's runs faster: a code is typed by hand.
		if s.devices, err = pairing.Open(context.Background(), DeviceStore(s.docs), nil); err != nil {
			return nil, err
		}
	}
	if s.assets, err = loadAssets(opts.Page); err != nil {
		return nil, err
	}
	if opts.MaxPages == 0 {
		opts.MaxPages = 600
	}
	s.hub = newHub(s.station, opts.MaxPages, s.log)

	sources := opts.Metrics
	sources.Snapshot = s.station.Snapshot
	if sources.Probes == nil && opts.Probes != nil {
		sources.Probes = func() []metrics.Probe { return countProbes(opts.Probes()) }
	}
	if h, ok := opts.Batches.(interface{ Health() trace.Health }); ok && sources.Store == nil {
		sources.Store = func() metrics.Store { return countStore(h.Health()) }
	}
	sources.Pages = s.hub.counts
	sources.Panics = s.panics.Load
	exposition, err := metrics.Handler(sources)
	if err != nil {
		return nil, fmt.Errorf("setting up the metrics: %w", err)
	}
	s.handler = s.guard(s.routes(exposition))

	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	go func() {
		defer close(s.hubDone)
		s.hub.run(ctx)
	}()
	return s, nil
}

// Close tells every page that the station is stopping, closes their sockets, and
// waits until that is done, a few seconds at most.
func (s *Server) Close() {
	s.stopOnce.Do(func() {
		s.stop()
		s.hub.close()
	})
	<-s.hubDone
}

// Handler is the whole site. It must be given the bare ResponseWriter.
func (s *Server) Handler() http.Handler { return s.handler }

// handler answers a request, or returns a *problem, or any other error (500).
type handler func(w http.ResponseWriter, r *http.Request) error

func (s *Server) handle(h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		for _, name := range []string{"pot", "id", "key", "name"} {
			if v := r.PathValue(name); v != "" && !okName(v, maxShort) {
				writeProblem(w, problemNotFound.with("There is nothing of that name."))
				return
			}
		}
		err := h(w, r)
		if err == nil {
			return
		}
		var p *problem
		if !errors.As(err, &p) {
			s.log.Error("a request failed", "path", r.URL.Path, "error", err)
			p = problemInternal.with("The station could not finish this request.")
		}
		writeProblem(w, p)
	}
}

// routes is the table of everything that is served.
func (s *Server) routes(exposition http.Handler) *http.ServeMux {
	const pot = "/api/v1/pots/{pot}"
	mux := http.NewServeMux()
	add := func(pattern string, h handler) { mux.HandleFunc(pattern, s.handle(h)) }

	add("GET "+pot+"/curve", s.potCurve)

	add("GET /api/v1/batches", s.listBatches)
	add("GET /api/v1/batches/{id}", s.record)
	add("GET /api/v1/batches/{id}/curve", s.batchCurve)
	add("PUT /api/v1/batches/{id}/notes", s.notes)
	add("POST /api/v1/batches/{id}/taps", s.batchTap)
	add("POST /api/v1/batches/{id}/events/{event}/correct", s.batchCorrect)
	add("POST /api/v1/batches/{id}/events/{event}/withdraw", s.batchWithdraw)
	add("POST /api/v1/batches/{id}/photos", s.addPhoto)
	add("GET /api/v1/batches/{id}/photos/{name}", s.photo)
	for format := range recordFiles {
		add("GET /api/v1/batches/{id}/record."+format, s.recordFile(format))
	}
	add("GET /api/v1/batches/{id}/labels.html", s.labels)
	add("GET /api/v1/recipes", s.listRecipes)
	add("GET /api/v1/recipes/{key}", s.getRecipe)
	add("PUT /api/v1/recipes/{key}", s.putRecipe)
	add("DELETE /api/v1/recipes/{key}", s.deleteRecipe)
	add("POST /api/v1/sheet", s.sheet)
	add("GET /api/v1/shelf", s.shelf)
	add("GET /api/v1/shelf.ics", s.calendar)
	add("GET /api/v1/lesson", s.lesson)

	add("GET /api/v1/certificate", s.certificate)
	add("GET /api/v1/probes", s.probes)
	add("POST /api/v1/probes/{id}/calibration", s.beginCalibration)
	add("POST /api/v1/probes/{id}/calibration/keep", s.keepCalibration)
	add("DELETE /api/v1/probes/{id}/calibration", s.giveUpCalibration)
	add("GET /api/v1/channels", s.channels)
	add("POST /api/v1/channels/test", s.testChannels)
	add("GET /api/v1/push/key", s.pushKey)
	add("POST /api/v1/push/subscription", s.subscribe)
	add("DELETE /api/v1/push/subscription", s.unsubscribe)
	add("GET /api/v1/preferences", s.preferences)
	add("PUT /api/v1/preferences", s.setPreferences)

	add("POST /pair", s.pair)
	add("POST /api/v1/pairing-codes", s.newCode)
	add("GET /api/v1/devices", s.listDevices)
	add("DELETE /api/v1/devices/{id}", s.removeDevice)
	add("GET /api/v1/me", s.me)
	add("DELETE /api/v1/me", s.forgetMe)

	elsewhere := s.elsewhere(mux)
	add("GET /", func(w http.ResponseWriter, r *http.Request) error {
		if strings.HasPrefix(r.URL.Path, "/api/") {
			return elsewhere(w, r)
		}
		return s.static(w, r)
	})
	add("GET /pair", s.pairPage)
	add("GET /healthz", s.healthz)
	add("GET /readyz", s.readyz)
	mux.Handle("GET /metrics", exposition)

	mux.HandleFunc("GET /api/v1/live", s.live)
	add("GET /api/v1/snapshot", s.snapshot)

	add("POST "+pot+"/start", s.start)
	add("POST "+pot+"/taps", s.tap)
	add("POST "+pot+"/events/{id}/withdraw", s.withdraw)
	add("POST "+pot+"/events/{id}/confirm", s.confirm)
	add("POST "+pot+"/events/{id}/deny", s.deny)
	add("POST "+pot+"/events/{id}/correct", s.correct)
	add("POST "+pot+"/notices/{key}/acknowledge", s.notice(s.station.Acknowledge))
	add("POST "+pot+"/notices/{key}/shelve", s.shelve)
	add("POST "+pot+"/notices/{key}/unshelve", s.notice(s.station.Unshelve))
	add("POST "+pot+"/notices/{key}/reset", s.notice(s.station.Reset))
	add("POST "+pot+"/notices/{key}/remove", s.removeNotice)
	add("POST "+pot+"/notices/{key}/restore", s.notice(s.station.Restore))

	add("/", elsewhere)
	return mux
}

// elsewhere answers what no route does: 405 where another method would do, else 404.
func (s *Server) elsewhere(mux *http.ServeMux) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		var allow []string
		for _, m := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete} {
			if m == r.Method {
				continue
			}
			q := r.Clone(r.Context())
			q.Method = m
			if _, pattern := mux.Handler(q); pattern != "/" && pattern != "GET /" {
				allow = append(allow, m)
			}
		}
		if len(allow) == 0 {
			return problemNotFound.with("There is nothing at " + quote(r.URL.Path) + ".")
		}
		if slices.Contains(allow, http.MethodGet) {
			allow = append(allow, http.MethodHead)
		}
		w.Header().Set("Allow", strings.Join(allow, ", "))
		return problemBadMethod.with(clip(r.Method, 20) + " is not done here.")
	}
}

// Times and sizes of an HTTP connection.
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 15 * time.Second
	answerTimeout = 60 * time.Second // a long record over a weak network
	idleTimeout   = 90 * time.Second
	maxHeader     = 16 << 10
	stopTimeout   = 5 * time.Second
)

// Run serves on l, a plain TCP listener, until ctx ends, then closes the pages' sockets, lets what is
// under way finish within a few seconds, and returns nil. A listener that fails
// is an error.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      answerTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeader,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	limited := bound(l, s.opts.MaxConnections, s.opts.MaxPerPeer)
	if s.opts.TLS != nil {
		// HTTP/1.1 alone: the websocket needs it, and a page of a few small files
		// gains nothing from HTTP/2.
		secure := s.opts.TLS.Clone()
		secure.NextProtos = []string{"http/1.1"}
		limited = tls.NewListener(limited, secure)
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(limited) }()
	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	var wg sync.WaitGroup
	wg.Go(s.Close)
	wg.Go(func() {
		if srv.Shutdown(stopping) != nil {
			srv.Close()
		}
	})
	wg.Wait()
	if err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serving the page at %s: %w", l.Addr(), err)
	}
	return nil
}
