package cert_test

import (
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/dashboard/cert"
)

func day(n int) func() time.Time {
	return func() time.Time {
		return time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC).Add(time.Duration(n) * 24 * time.Hour)
	}
}

// handshake does a TLS handshake as a phone that trusts root alone, and returns
// the server's certificate.
func handshake(t *testing.T, a *cert.Authority, root []byte, name string, now time.Time) (*x509.Certificate, error) {
	t.Helper()
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(root) {
		t.Fatal("the root is no PEM certificate")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		tls.Server(c, a.TLS()).Handshake()
	}()
	raw, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	c := tls.Client(raw, &tls.Config{RootCAs: pool, ServerName: name, Time: func() time.Time { return now }})
	if err := c.Handshake(); err != nil {
		return nil, err
	}
	return c.ConnectionState().PeerCertificates[0], nil
}

func TestAPhoneThatTrustsTheRoot(t *testing.T) {
	dir := t.TempDir()
	a, err := cert.Open(dir, []string{"Boathouse.local.", "boathouse", "example.com"}, []netip.Addr{netip.MustParseAddr("192.168.1.20"), netip.MustParseAddr("8.8.8.8")}, day(0))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"boathouse.local", "boathouse", "localhost", "127.0.0.1", "192.168.1.20"} {
		if _, err := handshake(t, a, a.Root(), name, day(0)()); err != nil {
			t.Errorf("as %q: %v", name, err)
		}
	}
	for _, name := range []string{"example.com", "8.8.8.8", "other.local"} {
		if _, err := handshake(t, a, a.Root(), name, day(0)()); err == nil {
			t.Errorf("the certificate speaks for %q", name)
		}
	}
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil || len(files) != 2 {
		t.Fatalf("files %v, %v", files, err)
	}
	for _, f := range files {
		if i, err := os.Stat(f); err != nil || i.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v, want 0600", f, i.Mode())
		}
	}
}

func TestTheRootStaysOverRestartsAndAddresses(t *testing.T) {
	dir := t.TempDir()
	a, err := cert.Open(dir, nil, nil, day(0))
	if err != nil {
		t.Fatal(err)
	}
	b, err := cert.Open(dir, nil, []netip.Addr{netip.MustParseAddr("10.0.0.9")}, day(300))
	if err != nil {
		t.Fatal(err)
	}
	if a.Fingerprint() != b.Fingerprint() || len(strings.Split(a.Fingerprint(), ":")) != 32 {
		t.Errorf("roots %s and %s, want the same", a.Fingerprint(), b.Fingerprint())
	}
	if _, err := handshake(t, b, a.Root(), "10.0.0.9", day(301)()); err != nil {
		t.Errorf("at its new address: %v", err)
	}
}

func TestTheCertificateIsRenewedInTime(t *testing.T) {
	now := day(0)()
	a, err := cert.Open(t.TempDir(), nil, nil, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	first, err := handshake(t, a, a.Root(), "localhost", now)
	if err != nil {
		t.Fatal(err)
	}
	if life := first.NotAfter.Sub(first.NotBefore); life > 398*24*time.Hour {
		t.Errorf("the certificate lives %v, want at most 398 days", life)
	}
	now = now.Add(380 * 24 * time.Hour)
	later, err := handshake(t, a, a.Root(), "localhost", now)
	if err != nil {
		t.Fatal(err)
	}
	if later.SerialNumber.Cmp(first.SerialNumber) == 0 {
		t.Error("17 days before its end it has not been renewed")
	}
}

// The root must not be able to speak for the internet, even in wrong hands:
// name constraints of RFC 5280, section 4.2.1.10.
func TestTheRootIsConstrained(t *testing.T) {
	dir := t.TempDir()
	a, err := cert.Open(dir, []string{"boathouse"}, nil, day(0))
	if err != nil {
		t.Fatal(err)
	}
	stolen, err := tls.LoadX509KeyPair(filepath.Join(dir, cert.RootFile), filepath.Join(dir, cert.RootKeyFile))
	if err != nil {
		t.Fatal(err)
	}
	if !stolen.Leaf.PermittedDNSDomainsCritical || !stolen.Leaf.IsCA || !stolen.Leaf.MaxPathLenZero {
		t.Errorf("root: %+v", stolen.Leaf)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(a.Root())
	for name, ok := range map[string]bool{"boathouse": true, "a.local": true, "bank.example": false, "local.example": false} {
		leaf := sign(t, stolen, name)
		_, err := leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: name, CurrentTime: day(1)()})
		if (err == nil) != ok {
			t.Errorf("a certificate for %q made with the stolen key: %v, want it taken: %v", name, err, ok)
		}
	}
}

func TestADamagedRootIsNotReplaced(t *testing.T) {
	dir := t.TempDir()
	if _, err := cert.Open(dir, nil, nil, day(0)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, cert.RootKeyFile)
	if err := os.WriteFile(path, []byte("not a key"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := cert.Open(dir, nil, nil, day(0))
	if err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("got %v, want an error that names %s", err, path)
	}
	if b, _ := os.ReadFile(path); string(b) != "not a key" {
		t.Error("the file was replaced")
	}
}
