package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"

	"github.com/wneessen/go-mail"
)

// MailConfig is a mail account as the maker sets it up.
type MailConfig struct {
	Common
	Host     string   `toml:"host"`
	Port     int      `toml:"port"` // 0 = 465 with "tls", 587 with "starttls"
	TLS      string   `toml:"tls"`  // "tls" from the first byte, "starttls" (default), or "none" on this machine only
	User     string   `toml:"user"` // "" = no log-in
	Password string   `toml:"password"`
	From     string   `toml:"from"`
	To       []string `toml:"to"`

	TLSConfig *tls.Config `toml:"-"` // nil = the system's roots, TLS 1.2 or later
}

// Validate returns every broken field, joined.
func (c MailConfig) Validate() error {
	p := problems{channel: c.title("mail")}
	c.check(&p)
	if c.Host == "" {
		p.add("host", c.Host, "must be the mail server's name")
	}
	if c.Port < 0 || c.Port > 65535 {
		p.add("port", fmt.Sprint(c.Port), "must be from 1 to 65535, or left out")
	}
	switch c.TLS {
	case "", "starttls", "tls":
	case "none":
		if !loopback(c.Host) {
			p.add("tls", c.TLS, "mail without encryption is only for a server on this machine")
		}
		if c.Password != "" {
			p.add("password", hidden(c.Password), "must not go over a line without encryption")
		}
	default:
		p.add("tls", c.TLS, `must be "tls", "starttls" or "none"`)
	}
	if (c.User == "") != (c.Password == "") {
		p.add("password", hidden(c.Password), "user and password go together")
	}
	m := mail.NewMsg()
	if m.From(c.From) != nil {
		p.add("from", c.From, "must be a mail address")
	}
	if len(c.To) == 0 {
		p.add("to", "", "must name at least one mail address")
	}
	for _, a := range c.To {
		if m.To(a) != nil {
			p.add("to", a, "must be a mail address")
		}
	}
	return p.err()
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || (ip != nil && ip.IsLoopback())
}

// Mail sends the calls by SMTP (RFC 5321) under TLS.
type Mail struct{ c MailConfig }

var (
	_ Channel   = (*Mail)(nil)
	_ Selective = (*Mail)(nil)
)

// NewMail makes a mail channel.
func NewMail(c MailConfig) (*Mail, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	return &Mail{c}, nil
}

// Name is the channel's name in the set-up.
func (m *Mail) Name() string { return m.c.title("mail") }

// Kind is "mail".
func (m *Mail) Kind() string { return "mail" }

// Wants only calls: a mail that says it is over helps nobody.
func (m *Mail) Wants(msg Message) bool { return msg.Calls() }

// Send delivers one message to the server.
func (m *Mail) Send(ctx context.Context, msg Message) error {
	out := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := errors.Join(out.From(m.c.From), out.To(m.c.To...)); err != nil {
		return fmt.Errorf("an address can't be used: %w", ErrRefused)
	}
	out.Subject(oneLine(msg.Station + ": " + msg.Text.Title))
	out.SetDate()
	out.SetMessageIDWithValue(msg.ID + "@meltstation.invalid")
	if msg.Notice.Priority == "urgent" {
		out.SetImportance(mail.ImportanceUrgent)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\r\n", msg.Text.Body)
	for _, d := range msg.Text.Do {
		fmt.Fprintf(&b, "\r\n- %s", d)
	}
	fmt.Fprintf(&b, "\r\n\r\nMade at %s.\r\n", msg.Made.UTC().Format("2006-01-02 15:04:05 UTC"))
	out.SetBodyString(mail.TypeTextPlain, b.String())

	client, err := m.client()
	if err != nil {
		return fmt.Errorf("setting up mail to %s: %w", m.c.Host, m.clean(err))
	}
	if err := client.DialAndSendWithContext(ctx, out); err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("%s did not answer in time", m.c.Host)
		}
		var se *mail.SendError
		if errors.As(err, &se) && !se.IsTemp() && se.ErrorCode() >= 500 {
			return fmt.Errorf("mail through %s: %w: %w", m.c.Host, m.clean(err), ErrRefused)
		}
		return fmt.Errorf("mail through %s: %w", m.c.Host, m.clean(err))
	}
	return nil
}

func (m *Mail) client() (*mail.Client, error) {
	tc := m.c.TLSConfig
	if tc == nil {
		tc = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	tc = tc.Clone()
	if tc.ServerName == "" {
		tc.ServerName = m.c.Host
	}
	opts := []mail.Option{mail.WithTLSConfig(tc), mail.WithHELO("localhost")}
	port := 587
	switch m.c.TLS {
	case "tls":
		port = 465
		opts = append(opts, mail.WithSSL())
	case "none":
		port = 25
		opts = append(opts, mail.WithTLSPolicy(mail.NoTLS))
	default:
		opts = append(opts, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.c.Port != 0 {
		port = m.c.Port
	}
	opts = append(opts, mail.WithPort(port))
	if m.c.User != "" {
		opts = append(opts, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.c.User), mail.WithPassword(m.c.Password))
	}
	return mail.NewClient(m.c.Host, opts...)
}

// clean keeps the password out of an error's text, whatever the server echoes.
func (m *Mail) clean(err error) error {
	if m.c.Password == "" || !strings.Contains(err.Error(), m.c.Password) {
		return err
	}
	return errors.New(strings.ReplaceAll(err.Error(), m.c.Password, "(password)"))
}

// oneLine makes a subject of a text.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
