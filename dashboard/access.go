package dashboard

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"path"
	"strings"

	"example.org/meltstation/dashboard/pairing"
)

// identity is who asks.
type identity struct {
	role   pairing.Role // "" = nobody known
	device *pairing.Device
}

func (i identity) deviceID() string {
	if i.device == nil {
		return ""
	}
	return i.device.ID
}

// name is what events and acknowledgements are signed with.
func (i identity) name() string {
	if i.device == nil {
		return "the station’s own screen"
	}
	return i.device.Name
}

type identityKey struct{}

// identityOf returns who sent r, as found by guard.
func identityOf(r *http.Request) identity {
	i, _ := r.Context().Value(identityKey{}).(identity)
	return i
}

// contentPolicy is the content security policy of everything but the files of a
// batch's record. 'self' covers the websocket (CSP level 3).
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; " +
	"font-src 'self'; connect-src 'self'; media-src 'self' blob:; manifest-src 'self'; worker-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// recordPolicy is for documents that carry their own style and no script.
const recordPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox allow-modals"

// secure sets the headers that every answer carries.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", contentPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY") // for browsers that know no frame-ancestors
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=(), screen-wake-lock=(self)")
}

// guard lets a request through to next when its Host, its Origin and its sender
// may ask for it. It does not wrap the ResponseWriter: the websocket needs it bare.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secure(w.Header())
		defer func() {
			if fault := recover(); fault != nil {
				if fault == http.ErrAbortHandler {
					panic(fault)
				}
				s.panics.Add(1)
				s.log.Error("a request made the station stumble", "path", r.URL.Path, "fault", fault)
				writeProblem(w, problemInternal.with("The station stumbled over this request."))
			}
		}()
		if p := s.checkHost(r); p != nil {
			writeProblem(w, p)
			return
		}
		if p := checkOrigin(r); p != nil {
			writeProblem(w, p)
			return
		}
		who := s.identify(r)
		if p := s.allowed(r, who); p != nil {
			if p.Code == problemUnpaired.Code && isVisit(r) {
				http.Redirect(w, r, "/pair", http.StatusSeeOther)
				return
			}
			writeProblem(w, p)
			return
		}
		if who.device != nil {
			if err := s.devices.Touch(r.Context(), who.device.ID); err != nil {
				s.log.Warn("a device's visit was not kept", "error", err)
			}
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), identityKey{}, who)))
	})
}

// checkHost refuses names that the station doesn't go by. A page on the
// internet whose name was made to point here (DNS rebinding) sends its own name
// as Host, so only names that nobody else can own are taken: loopback names from
// this machine, addresses, and what the configuration lists.
func (s *Server) checkHost(r *http.Request) *problem {
	host := hostname(r.Host)
	switch {
	case isLoopbackName(host):
		if peerIsLoopback(r) {
			return nil
		}
	case s.names[host]:
		return nil
	default:
		// An address can't be rebound: its owner is whoever answers there.
		if _, err := netip.ParseAddr(host); err == nil {
			return nil
		}
	}
	return problemWrongHost.with("This request was for " + quote(r.Host) + ".")
}

// checkOrigin refuses what a page of another site has made a browser send.
func checkOrigin(r *http.Request) *problem {
	if origin := r.Header.Get("Origin"); origin != "" || len(r.Header.Values("Origin")) > 1 {
		u, err := url.Parse(origin)
		if err != nil || !strings.EqualFold(u.Host, r.Host) || (u.Scheme != "http" && u.Scheme != "https") || (r.TLS != nil && u.Scheme != "https") {
			return problemCrossSite.with("A page at " + quote(origin) + " asked for it.")
		}
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none": // "" from plain http on a network, and from programs
		return nil
	}
	// Following a link to the page is all that another site may make a browser do.
	if isVisit(r) && r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document" {
		return nil
	}
	return problemCrossSite.with("A page of another site asked for it.")
}

// isVisit reports whether r opens a view of the page, rather than asking the API.
func isVisit(r *http.Request) bool {
	return (r.Method == http.MethodGet || r.Method == http.MethodHead) &&
		!strings.HasPrefix(r.URL.Path, "/api/") && r.URL.Path != "/metrics" && path.Ext(r.URL.Path) == ""
}

// identify finds who asks: this machine, or the device that holds the token.
func (s *Server) identify(r *http.Request) identity {
	if isLocal(r) {
		return identity{role: pairing.Maker}
	}
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		c, err := r.Cookie(cookieName(r))
		if err != nil {
			return identity{}
		}
		token = c.Value
	}
	d, ok := s.devices.Lookup(token)
	if !ok {
		return identity{}
	}
	return identity{role: d.Role, device: &d}
}

// allowed says whether that sender may make that request.
func (s *Server) allowed(r *http.Request, who identity) *problem {
	reading := r.Method == http.MethodGet || r.Method == http.MethodHead
	switch p := r.URL.Path; {
	case who.role == pairing.Maker:
		return nil
	case who.role == pairing.Viewer:
		if p == "/api/v1/preferences" || p == "/api/v1/me" || p == "/pair" || reading && p != "/api/v1/devices" {
			return nil
		}
		return problemForbidden.with("This device was paired to look, not to change anything.")
	case p == "/pair", reading && (p == "/healthz" || p == "/readyz" || s.isPublic(p)):
		return nil
	case reading && p == "/metrics" && s.holdsMetricsToken(r):
		return nil
	}
	return problemUnpaired.with("The station shows itself to paired devices only.")
}

// isPublic reports whether a file may be seen without pairing.
func (s *Server) isPublic(p string) bool {
	p = strings.TrimPrefix(path.Clean(p), "/")
	for _, pattern := range s.public {
		if ok, err := path.Match(pattern, p); ok && err == nil {
			return true
		}
	}
	return false
}

// holdsMetricsToken compares hashes, so that neither content nor length shows in the time.
func (s *Server) holdsMetricsToken(r *http.Request) bool {
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok || s.metricsToken == nil {
		return false
	}
	hash := sha256.Sum256([]byte(token))
	return subtle.ConstantTimeCompare(hash[:], s.metricsToken[:]) == 1
}

// isLocal reports whether r comes from this machine, and not through a proxy on
// it. That is so when it comes over the loopback, or from the very address that
// it came to, where the station listens on one of the network's addresses alone.
func isLocal(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	host := hostname(r.Host)
	if peerIsLoopback(r) {
		return isLoopbackName(host)
	}
	at, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return false
	}
	here := address(at)
	named, err := netip.ParseAddr(host)
	return err == nil && here.IsValid() && !here.IsUnspecified() && peer(r) == here && named.Unmap() == here
}

func peerIsLoopback(r *http.Request) bool {
	return peer(r).IsLoopback()
}

// peer is the address at the other end; the zero Addr when it has none.
func peer(r *http.Request) netip.Addr {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}

// hostname is the name in a Host header, in lower case, without port, brackets
// or a last dot.
func hostname(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	} else if strings.HasPrefix(host, "[") && strings.HasSuffix(host, "]") {
		host = host[1 : len(host)-1]
	}
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

func isLoopbackName(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// cookieName is the name of the pairing cookie. Over TLS the prefix makes the
// browser see to it that it is Secure, for the whole site, and for this host alone.
func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-meltstation"
	}
	return "meltstation"
}

func setCookie(w http.ResponseWriter, r *http.Request, token string, maxAge int) {
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r), Value: token, Path: "/", MaxAge: maxAge,
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode,
	})
}

func quote(s string) string {
	if s == "" {
		return "nowhere"
	}
	return "“" + clip(strings.ToValidUTF8(s, "?"), 100) + "”"
}
