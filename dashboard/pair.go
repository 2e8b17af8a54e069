package dashboard

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"rsc.io/qr"

	"example.org/meltstation/dashboard/pairing"
)

// deviceView is a paired device as the page sees it.
type deviceView struct {
	ID     string       `json:"id"`
	Name   string       `json:"name"`
	Role   pairing.Role `json:"role"`
	Paired time.Time    `json:"paired"`
	Seen   time.Time    `json:"seen"`
	This   bool         `json:"this"`
}

func viewDevice(d pairing.Device, who identity) deviceView {
	return deviceView{ID: d.ID, Name: d.Name, Role: d.Role, Paired: d.Paired, Seen: d.Seen, This: d.ID == who.deviceID()}
}

// newCode makes a pairing code and its QR code.
func (s *Server) newCode(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Role pairing.Role `json:"role"`
	}
	if err := readJSON(w, r, maxBody, &req); err != nil {
		return err
	}
	c, err := s.devices.NewCode(req.Role)
	if err != nil {
		return problemInvalid.with(`"role" must be "maker" or "viewer".`)
	}
	link := s.pairURL(r, c.Text)
	image, err := qrSVG(link)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusCreated, map[string]any{
		"code": c.Text, "role": c.Role, "expires": c.Expires.UTC(), "url": link,
		"qr": "data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(image),
	})
}

// pairURL is the address that a phone must open. Asked for from this machine,
// it is the network's name for it, where there is one; else what the asker used.
func (s *Server) pairURL(r *http.Request, code string) string {
	scheme, host := "http", r.Host
	if r.TLS != nil {
		scheme = "https"
	}
	if s.opts.PublicURL != "" && isLoopbackName(hostname(r.Host)) {
		return strings.TrimSuffix(s.opts.PublicURL, "/") + "/pair#" + code
	}
	return scheme + "://" + host + "/pair#" + code
}

// qrSVG draws text as a QR code, with the quiet zone of four modules that
// ISO/IEC 18004 asks for. Dark on light in both themes: readers expect it.
func qrSVG(text string) ([]byte, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil, fmt.Errorf("drawing the QR code: %w", err)
	}
	const quiet = 4
	side := c.Size + 2*quiet
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" shape-rendering="crispEdges">`+
		`<rect width="%d" height="%d" fill="#fff"/><path fill="#000" d="`, side, side, side, side)
	for y := range c.Size {
		for x := 0; x < c.Size; x++ {
			if !c.Black(x, y) {
				continue
			}
			from := x
			for x < c.Size && c.Black(x, y) {
				x++
			}
			fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", from+quiet, y+quiet, x-from, x-from)
		}
	}
	b.WriteString(`"/></svg>`)
	return []byte(b.String()), nil
}

// cookieLife is how long a browser keeps the pairing; a device not seen for
// pairing.Idle must pair again anyway.
const cookieLife = 400 * 24 * time.Hour // the most that browsers grant

// pair turns a code into a paired device.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Code string `json:"code"`
		Name string `json:"name"`
	}
	if err := readJSON(w, r, 4<<10, &req); err != nil {
		return err
	}
	d, token, err := s.devices.Pair(r.Context(), peer(r), req.Code, req.Name)
	switch {
	case errors.Is(err, pairing.ErrTooMany):
		return problemTooMany.with("Codes may be tried a few times a minute.")
	case errors.Is(err, pairing.ErrCode):
		return problemCodeWrong.with("No code like that is waiting.")
	case errors.Is(err, pairing.ErrName):
		return problemInvalid.with(fmt.Sprintf("A device's name may have %d characters.", pairing.MaxName))
	case errors.Is(err, pairing.ErrFull):
		return problemNotNow.with("Too many devices are paired; remove one first.")
	case err != nil:
		s.log.Error("a device could not be paired", "error", err)
		return problemUnavailable.with("The pairing could not be kept.")
	}
	s.log.Info("a device was paired", "device", d.Name, "role", d.Role, "from", r.RemoteAddr)
	setCookie(w, r, token, int(cookieLife.Seconds()))
	return writeJSON(w, http.StatusOK, map[string]any{"device": viewDevice(d, identity{device: &d})})
}

func (s *Server) listDevices(w http.ResponseWriter, r *http.Request) error {
	list := []deviceView{}
	for _, d := range s.devices.Devices() {
		list = append(list, viewDevice(d, identityOf(r)))
	}
	return writeJSON(w, http.StatusOK, map[string]any{"devices": list})
}

func (s *Server) removeDevice(w http.ResponseWriter, r *http.Request) error {
	return s.forget(w, r, r.PathValue("id"))
}

// forget takes a device's access away and closes its sockets.
func (s *Server) forget(w http.ResponseWriter, r *http.Request, id string) error {
	err := s.devices.Remove(r.Context(), id)
	s.hub.removeDevice(id) // after the token is gone, so that none comes back
	if s.opts.Push != nil {
		if err := s.opts.Push.forgetDevice(r.Context(), id); err != nil {
			s.log.Warn("a removed device may still be called", "error", err)
		}
	}
	switch {
	case errors.Is(err, pairing.ErrDevice):
		return problemNotFound.with("No such device is paired.")
	case err != nil:
		s.log.Error("a device's removal could not be kept", "error", err)
		return problemUnavailable.with("The device is out until the station restarts, but the removal could not be kept.")
	}
	return s.done(w, r, nil)
}

func (s *Server) me(w http.ResponseWriter, r *http.Request) error {
	who := identityOf(r)
	var d *deviceView
	if who.device != nil {
		v := viewDevice(*who.device, who)
		d = &v
	}
	return writeJSON(w, http.StatusOK, map[string]any{"role": who.role, "device": d})
}

func (s *Server) forgetMe(w http.ResponseWriter, r *http.Request) error {
	who := identityOf(r)
	if who.device == nil {
		return problemNotNow.with("This machine needs no pairing.")
	}
	setCookie(w, r, "", -1)
	return s.forget(w, r, who.device.ID)
}

// certificate gives the root that a phone may be told to trust.
func (s *Server) certificate(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Root == nil {
		return problemNotFound.with("This station made no certificate of its own.")
	}
	sendFile(w, recordPolicy, "application/x-x509-ca-cert", "meltstation-root.crt", true, s.opts.Root)
	return nil
}

// PairingCode makes a code for whoever sits at the station's terminal, with the
// address to open.
func (s *Server) PairingCode(role pairing.Role) (pairing.Code, error) { return s.devices.NewCode(role) }

// LANAddresses lists the addresses at which the network can reach this machine:
// of IPv4 first, and among them private ones first.
func LANAddresses() []netip.Addr {
	list, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var private, other []netip.Addr
	for _, a := range list {
		p, err := netip.ParsePrefix(a.String())
		if err != nil {
			continue
		}
		switch ip := p.Addr().Unmap(); {
		case ip.IsLoopback() || ip.IsLinkLocalUnicast() || !ip.IsGlobalUnicast():
		case ip.IsPrivate():
			private = append(private, ip)
		default:
			other = append(other, ip)
		}
	}
	all := append(private, other...)
	// A thumb types an IPv4 address sooner.
	slices.SortStableFunc(all, func(a, b netip.Addr) int { return a.BitLen() - b.BitLen() })
	return all
}
