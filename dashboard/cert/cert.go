// Package cert makes the certificate of a station that has none of its own.
//
// At first start it makes a root, and with it a certificate for the station's
// names and addresses. A phone may be told to trust the root once; after that a
// new address (a router hands them out) needs only a new certificate under the
// same root. The root can speak for nothing but private addresses and local
// names (name constraints, RFC 5280, section 4.2.1.10), so that trusting it
// opens no other site to whoever takes its key.
//
// Keys are ECDSA on P-256, in files that only their owner can read.
package cert

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// The files of an Authority, in its directory.
const (
	RootFile    = "page-root.pem"
	RootKeyFile = "page-root-key.pem"
)

const (
	rootLife = 10 * 365 * 24 * time.Hour
	leafLife = 397 * 24 * time.Hour // the most that browsers take from public authorities; some hold private ones to it too
	renewIn  = 30 * 24 * time.Hour  // before its end
	early    = 24 * time.Hour       // valid from then on: a board without a clock may be behind
	maxNames = 64                   // addresses and names in a certificate
)

// Authority signs the station's own certificates. It may be used by many goroutines.
type Authority struct {
	root    *x509.Certificate
	rootKey crypto.Signer
	now     func() time.Time

	mu    sync.Mutex
	names []string // DNS names
	addrs []netip.Addr
	leaf  *tls.Certificate
}

// Open reads the root in dir, or makes one. Names and addresses are those by
// which the station is reached; more addresses are added as they are used.
// Names that are not local (neither single labels nor under .local, .home.arpa
// or .internal) are left out: the root can't speak for them. A nil now is time.Now.
func Open(dir string, names []string, addrs []netip.Addr, now func() time.Time) (*Authority, error) {
	if now == nil {
		now = time.Now
	}
	a := &Authority{now: now, names: []string{"localhost"}}
	for _, n := range names {
		n = strings.ToLower(strings.TrimSuffix(n, "."))
		if ip, err := netip.ParseAddr(n); err == nil {
			addrs = append(addrs, ip)
		} else if isLocalName(n) && !slices.Contains(a.names, n) && len(a.names) < maxNames {
			a.names = append(a.names, n)
		}
	}
	for _, ip := range append([]netip.Addr{netip.MustParseAddr("127.0.0.1"), netip.IPv6Loopback()}, addrs...) {
		if ip = ip.Unmap().WithZone(""); permitted(ip) && !slices.Contains(a.addrs, ip) && len(a.addrs) < maxNames {
			a.addrs = append(a.addrs, ip)
		}
	}
	certPath, keyPath := filepath.Join(dir, RootFile), filepath.Join(dir, RootKeyFile)
	err := a.load(certPath, keyPath)
	switch {
	case err == nil && now().Before(a.root.NotAfter.Add(-leafLife)):
	case err == nil || errors.Is(err, fs.ErrNotExist):
		if err := a.make(dir, certPath, keyPath); err != nil {
			return nil, err
		}
	default:
		return nil, fmt.Errorf("%w; to have a new one made, move %s and %s away (phones must then trust the new one)", err, certPath, keyPath)
	}
	if _, err := a.sign(); err != nil {
		return nil, err
	}
	return a, nil
}

// isLocalName reports whether a name can only belong to a local network.
func isLocalName(n string) bool {
	if n == "" || len(n) > 253 || strings.ContainsFunc(n, func(c rune) bool {
		return !('a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-' || c == '.')
	}) {
		return false
	}
	if !strings.Contains(n, ".") {
		return true
	}
	for _, s := range localSuffixes {
		if strings.HasSuffix(n, "."+s) {
			return true
		}
	}
	return false
}

// localSuffixes are names that never belong to the internet: RFC 6762 (.local),
// RFC 8375 (.home.arpa), RFC 6761 (localhost), and .internal, set aside for
// private use by ICANN.
var localSuffixes = []string{"local", "home.arpa", "localhost", "internal"}

// privateRanges are loopback, RFC 1918, RFC 3927, RFC 4193 and link-local addresses.
var privateRanges = []netip.Prefix{
	netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("172.16.0.0/12"),
	netip.MustParsePrefix("192.168.0.0/16"), netip.MustParsePrefix("169.254.0.0/16"),
	netip.MustParsePrefix("::1/128"), netip.MustParsePrefix("fc00::/7"), netip.MustParsePrefix("fe80::/10"),
}

func permitted(ip netip.Addr) bool {
	return slices.ContainsFunc(privateRanges, func(p netip.Prefix) bool { return p.Contains(ip) })
}

func (a *Authority) load(certPath, keyPath string) error {
	key, err := os.ReadFile(keyPath)
	if err != nil {
		return fmt.Errorf("reading the page's root key: %w", err)
	}
	certificate, err := os.ReadFile(certPath)
	if err != nil {
		return fmt.Errorf("reading the page's root: %w", err)
	}
	pair, err := tls.X509KeyPair(certificate, key) // also sees that the two belong together
	if err != nil {
		return fmt.Errorf("the page's root in %s can't be used: %w", certPath, err)
	}
	signer, ok := pair.PrivateKey.(crypto.Signer)
	if !ok || !pair.Leaf.IsCA {
		return fmt.Errorf("the page's root in %s can't sign", certPath)
	}
	a.root, a.rootKey = pair.Leaf, signer
	return nil
}

// make makes a root, its key on disk before the certificate.
func (a *Authority) make(dir, certPath, keyPath string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("making the directory of the page's root: %w", err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return fmt.Errorf("making the page's root key: %w", err)
	}
	now := a.now()
	var ranges []*net.IPNet
	for _, p := range privateRanges {
		ranges = append(ranges, &net.IPNet{IP: p.Addr().AsSlice(), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen())})
	}
	// A name without a dot can be listed one by one only.
	var single []string
	for _, n := range a.names {
		if !strings.Contains(n, ".") && n != "localhost" {
			single = append(single, n)
		}
	}
	t := &x509.Certificate{
		SerialNumber:                serial(),
		Subject:                     pkix.Name{CommonName: "meltstation, this station's own root", Organization: []string{"meltstation"}},
		NotBefore:                   now.Add(-early),
		NotAfter:                    now.Add(rootLife),
		KeyUsage:                    x509.KeyUsageCertSign,
		ExtKeyUsage:                 []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid:       true,
		IsCA:                        true,
		MaxPathLenZero:              true,
		PermittedDNSDomainsCritical: true,
		PermittedDNSDomains:         append(slices.Clone(localSuffixes), single...),
		PermittedIPRanges:           ranges,
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return fmt.Errorf("making the page's root: %w", err)
	}
	if a.root, err = x509.ParseCertificate(der); err != nil {
		return fmt.Errorf("making the page's root: %w", err)
	}
	a.rootKey = key
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return fmt.Errorf("keeping the page's root key: %w", err)
	}
	for _, f := range []struct {
		name, kind string
		der        []byte
	}{{keyPath, "PRIVATE KEY", secret}, {certPath, "CERTIFICATE", der}} {
		if err := write(f.name, pem.EncodeToMemory(&pem.Block{Type: f.kind, Bytes: f.der})); err != nil {
			return fmt.Errorf("keeping the page's root: %w", err)
		}
	}
	return nil
}

// write makes a file that only its owner can read, whole at every moment.
func write(name string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".new-*") // 0600
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// serial is 127 random bits (RFC 5280, section 4.1.2.2: positive, at most 20 bytes).
func serial() *big.Int {
	var b [16]byte
	rand.Read(b[:])
	b[0] &= 0x7f
	b[15] |= 1
	return new(big.Int).SetBytes(b[:])
}

// sign makes a certificate for all names and addresses known by now. The leaf's
// key is new each time and never on disk.
func (a *Authority) sign() (*tls.Certificate, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.signLocked()
}

func (a *Authority) signLocked() (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("making the page's key: %w", err)
	}
	now := a.now()
	t := &x509.Certificate{
		SerialNumber:          serial(),
		Subject:               pkix.Name{CommonName: a.names[len(a.names)-1], Organization: []string{"meltstation"}},
		NotBefore:             now.Add(-early),
		NotAfter:              now.Add(leafLife),
		KeyUsage:              x509.KeyUsageDigitalSignature,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
	}
	for _, n := range a.names {
		if strings.Contains(n, ".") || n == "localhost" || slices.Contains(a.root.PermittedDNSDomains, n) {
			t.DNSNames = append(t.DNSNames, n)
		}
	}
	for _, ip := range a.addrs {
		t.IPAddresses = append(t.IPAddresses, ip.AsSlice())
	}
	der, err := x509.CreateCertificate(rand.Reader, t, a.root, &key.PublicKey, a.rootKey)
	if err != nil {
		return nil, fmt.Errorf("making the page's certificate: %w", err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, fmt.Errorf("making the page's certificate: %w", err)
	}
	a.leaf = &tls.Certificate{Certificate: [][]byte{der, a.root.Raw}, PrivateKey: key, Leaf: leaf}
	return a.leaf, nil
}

// get is for [tls.Config]: the certificate, renewed before its end, and when
// this machine is reached at an address that it does not name yet.
func (a *Authority) get(hello *tls.ClientHelloInfo) (*tls.Certificate, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	stale := a.now().After(a.leaf.Leaf.NotAfter.Add(-renewIn)) || a.now().Before(a.leaf.Leaf.NotBefore)
	if hello != nil && hello.Conn != nil {
		if ap, err := netip.ParseAddrPort(hello.Conn.LocalAddr().String()); err == nil {
			ip := ap.Addr().Unmap().WithZone("")
			if permitted(ip) && !slices.Contains(a.addrs, ip) && len(a.addrs) < maxNames {
				a.addrs = append(a.addrs, ip)
				stale = true
			}
		}
	}
	if stale {
		return a.signLocked()
	}
	return a.leaf, nil
}

// TLS is the configuration of a server with these certificates.
func (a *Authority) TLS() *tls.Config {
	return &tls.Config{GetCertificate: a.get, MinVersion: tls.VersionTLS12}
}

// Root is the root certificate in PEM, for phones to trust.
func (a *Authority) Root() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.root.Raw})
}

// Fingerprint is the SHA-256 of the root, as browsers and phones show it.
func (a *Authority) Fingerprint() string {
	sum := sha256.Sum256(a.root.Raw)
	var b bytes.Buffer
	for i, c := range sum {
		if i > 0 {
			b.WriteByte(':')
		}
		fmt.Fprintf(&b, "%02X", c)
	}
	return b.String()
}
