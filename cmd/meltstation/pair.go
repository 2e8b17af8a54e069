package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"rsc.io/qr"

	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard/cert"
)

// pairCommand asks the running daemon for a code.
func pairCommand() command {
	return command{
		name: "pair", args: "[--viewer] [--config FILE]", summary: "let a phone see the page: prints a code for it",
		run: func(ctx context.Context, args []string, std Streams) error {
			fs := flag.NewFlagSet("pair", flag.ContinueOnError)
			path := fs.String("config", "", "the settings `file` that the daemon runs with")
			viewer := fs.Bool("viewer", false, "the phone may look, and change nothing")
			rest, err := parse(fs, "pair [--viewer] [--config FILE]", args, std)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return fmt.Errorf("%w: pair takes no argument %q", errUsage, rest[0])
			}
			c := config.Default()
			if *path != "" {
				if c, err = config.Load(*path); err != nil {
					return err
				}
			}
			role := "maker"
			if *viewer {
				role = "viewer"
			}
			return pair(ctx, c, role, std.Out)
		},
	}
}

func pair(ctx context.Context, c *config.Config, role string, out io.Writer) error {
	base, client, err := daemonOf(c)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	body, err := json.Marshal(map[string]string{"role": role})
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"/api/v1/pairing-codes", bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("asking the daemon at %s for a code: %w; is \"meltstation run\" up, with the same --config?", base, err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return fmt.Errorf("reading the daemon's answer: %w", err)
	}
	if resp.StatusCode != http.StatusCreated {
		var p struct{ Title, Detail, Mend string }
		if json.Unmarshal(answer, &p) != nil || p.Title == "" {
			return fmt.Errorf("the daemon at %s answers %s; is it a meltstation?", base, resp.Status)
		}
		return fmt.Errorf("%s: %s %s", p.Title, p.Detail, p.Mend)
	}
	var code struct {
		Code, URL string
		Expires   time.Time
	}
	if err := json.Unmarshal(answer, &code); err != nil {
		return fmt.Errorf("reading the daemon's answer: %w", err)
	}
	u, err := url.Parse(code.URL)
	if err != nil {
		return fmt.Errorf("reading the daemon's answer: %w", err)
	}
	if ip := net.ParseIP(u.Hostname()); u.Hostname() == "localhost" || ip != nil && ip.IsLoopback() {
		return errors.New("the page is open to this machine alone, so no phone can reach it; set [page] listen to \"0.0.0.0:8460\" in the settings and start the daemon again")
	}
	if onTerminal(out) {
		if picture, err := terminalQR(code.URL); err == nil {
			fmt.Fprintln(out, picture)
		}
	}
	u.Fragment = ""
	fmt.Fprintf(out, "On the phone, in the same network, read the picture or open  %s\nand type the code  %s\nIt pairs one device as a %s, until %s.\n",
		u, code.Code, role, code.Expires.Local().Format("15:04"))
	return nil
}

// daemonOf returns the address of the daemon's page as seen from this machine,
// and a client that knows its certificate.
func daemonOf(c *config.Config) (base string, client *http.Client, err error) {
	host, port, err := net.SplitHostPort(c.Page.Listen)
	if err != nil {
		return "", nil, fmt.Errorf("the page's address %q: %w", c.Page.Listen, err)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	transport := &http.Transport{Proxy: nil, DisableKeepAlives: true}
	scheme := "https"
	switch c.Page.TLS {
	case "own":
		path := filepath.Join(c.Data, "tls", cert.RootFile)
		root, err := os.ReadFile(path)
		if err != nil {
			return "", nil, fmt.Errorf("reading the page's root: %w; start the daemon once, and run this as the same user", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(root) {
			return "", nil, fmt.Errorf("the page's root in %s is no certificate", path)
		}
		transport.TLSClientConfig = &tls.Config{RootCAs: pool}
	case "files":
		pinned, err := tls.LoadX509KeyPair(c.Page.Certificate, c.Page.Key)
		if err != nil {
			return "", nil, fmt.Errorf("reading the page's certificate: %w", err)
		}
		// It speaks for the station's public name, not for this machine's loopback:
		// what counts here is that it is the very same one.
		transport.TLSClientConfig = &tls.Config{
			InsecureSkipVerify: true,
			VerifyConnection: func(s tls.ConnectionState) error {
				if len(s.PeerCertificates) == 0 || !bytes.Equal(s.PeerCertificates[0].Raw, pinned.Certificate[0]) {
					return errors.New("whoever answers there has another certificate than the settings name")
				}
				return nil
			},
		}
	default:
		scheme = "http"
	}
	return scheme + "://" + net.JoinHostPort(host, port), &http.Client{Transport: transport}, nil
}

// terminalQR draws text as a QR code in half blocks, dark on light whatever the
// terminal's colours, with the quiet zone of four modules of ISO/IEC 18004.
func terminalQR(text string) (string, error) {
	c, err := qr.Encode(text, qr.L)
	if err != nil {
		return "", fmt.Errorf("drawing the QR code: %w", err)
	}
	const quiet = 4
	var b strings.Builder
	for y := -quiet; y < c.Size+quiet; y += 2 {
		b.WriteString("\x1b[30;107m")
		for x := -quiet; x < c.Size+quiet; x++ {
			// Black is false outside of the code.
			switch up, down := c.Black(x, y), c.Black(x, y+1); {
			case up && down:
				b.WriteRune('█')
			case up:
				b.WriteRune('▀')
			case down:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String(), nil
}
