package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/units"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/probe/w1"
)

// Default is the station without a settings file: one pot, w1 probes found by
// themselves, the page on loopback.
func Default() *Config {
	c := &Config{
		Name: "Melt station", Data: DefaultData(), Units: "C", Mass: "g",
		Page:   Page{Listen: "127.0.0.1:8460", TLS: "off"},
		Pots:   []Pot{{ID: "pot", Name: "Pot"}},
		Alarms: alerts.DefaultSettings(),
	}
	c.Sheet = plan.Sheet{Name: "Batch", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers()}
	c.Sheet.Thresholds.BathCeiling = boiling(0)
	return c
}

// DefaultData is the folder of the station's files when nothing else is said.
func DefaultData() string {
	if d := os.Getenv("XDG_STATE_HOME"); d != "" {
		return filepath.Join(d, "meltstation")
	}
	if h, err := os.UserHomeDir(); err == nil {
		return filepath.Join(h, ".local", "state", "meltstation")
	}
	return "meltstation-data"
}

// boiling is where water boils at an altitude in m, on an average day; at sea
// level when that is no altitude of a kitchen.
func boiling(altitude float64) float64 {
	hPa, err := calibrate.Pressure(altitude)
	if err == nil {
		var c float64
		if c, err = calibrate.Boiling(hPa); err == nil {
			return c
		}
	}
	return boiling(0)
}

// Load reads a settings file. Its error holds a [Problem] for each thing wrong.
func Load(path string) (*Config, error) {
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, Problem{File: path, What: "there is no such file", Mend: "give the path of your settings file, or start without --config for the defaults"}
	}
	if err != nil {
		return nil, Problem{File: path, What: "can't be read: " + err.Error(), Mend: "let this user read it"}
	}
	return Parse(path, data)
}

// maxSize bounds a settings file; a real one is a few kilobytes.
const maxSize = 1 << 20

// Parse is Load with the file's content at hand; path names it in errors.
func Parse(path string, data []byte) (*Config, error) {
	if len(data) > maxSize {
		return nil, Problem{File: path, What: "is larger than a settings file can be", Mend: "check that it is the right file"}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")) // some editors put a byte order mark first
	var f file
	dec := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return nil, decodeProblem(path, data, err)
	}
	r := reader{path: path, lines: indexLines(data)}
	c := r.config(&f)
	if len(r.problems) > 0 {
		return nil, errors.Join(r.problems...)
	}
	return c, nil
}

func decodeProblem(path string, data []byte, err error) error {
	var unknown *toml.StrictMissingError
	if errors.As(err, &unknown) {
		var all []error
		for _, e := range unknown.Errors {
			row, _ := e.Position()
			key := strings.Join(e.Key(), ".")
			mend := "take it out, or check its spelling"
			switch near := nearest(lastKey(e.Key())); {
			case near == lastKey(e.Key()):
				mend = "it is known, but not here: put it under the [table] it belongs to"
			case near != "":
				mend = fmt.Sprintf("did you mean %q?", near)
			}
			all = append(all, Problem{File: path, Line: row, Field: key, What: fmt.Sprintf("there is no setting %q", key), Mend: mend})
		}
		return errors.Join(all...)
	}
	var bad *toml.DecodeError
	if errors.As(err, &bad) {
		row, _ := bad.Position()
		what := strings.TrimPrefix(bad.Error(), "toml: ")
		if key := strings.Join(bad.Key(), "."); strings.HasPrefix(what, "cannot decode") && key != "" {
			what = key + " has the wrong kind of value"
		}
		mend := "check the quotes and the kind of value on this line: words and temperatures stand in quotes, counts do not"
		line := lineOf(data, row)
		switch {
		case strings.Contains(what, "already defined"):
			mend = "each setting and each [table] stands once: take one of them out (several probes, pots and webhooks each begin with [[ ]])"
		case strings.ContainsAny(line, "“”„«»‘’"):
			what, mend = "curly quotes", `use straight ones, such as temperature = "F"`
		case strings.HasPrefix(strings.TrimSpace(line), "["):
			mend = "write a table's name between brackets, such as [station], or [[probe]] when there may be several"
		}
		return Problem{File: path, Line: row, Field: strings.Join(bad.Key(), "."), What: what, Mend: mend}
	}
	return Problem{File: path, What: err.Error(), Mend: "check that it is a TOML file"}
}

// lineOf is one line of the file, the first being 1.
func lineOf(data []byte, row int) string {
	n := 0
	for line := range bytes.Lines(data) {
		if n++; n == row {
			return string(line)
		}
	}
	return ""
}

func lastKey(k toml.Key) string {
	if len(k) == 0 {
		return ""
	}
	return k[len(k)-1]
}

// reader turns the file's words into settings and gathers what is wrong.
type reader struct {
	path     string
	lines    lines
	problems []error
}

func (r *reader) bad(field, what, mend string) {
	r.problems = append(r.problems, Problem{File: r.path, Line: r.lines.at(field), Field: field, What: what, Mend: mend})
}

// celsius reads "185 F" or "85 °C" into to; an empty text leaves it.
func (r *reader) celsius(field, text string, to *float64) {
	if text == "" {
		return
	}
	c, err := units.ParseTemperature(text)
	if err != nil {
		what, mend, said := strings.Cut(err.Error(), "; ")
		if !said {
			mend = `write a temperature like "85 °C" or "185 °F"`
		}
		r.bad(field, field+" is "+what, mend)
		return
	}
	*to = c
}

// kelvin reads a temperature difference: "10 C" or "18 F".
func (r *reader) kelvin(field, text string, to *float64) {
	if text == "" {
		return
	}
	c, err := units.ParseDifference(text)
	if err != nil || c < 0 {
		r.bad(field, fmt.Sprintf("%s is %q, which is no temperature difference", field, text), `write a number with its unit, such as "10 °C" or "18 °F"`)
		return
	}
	*to = c
}

func (r *reader) duration(field, text string, to *time.Duration) {
	if text == "" {
		return
	}
	d, err := units.ParseDuration(text)
	if err != nil || d < 0 {
		r.bad(field, fmt.Sprintf("%s is %q, which is no length of time", field, text), `write it like "90 s", "3 min", "24 h" or "14 days"`)
		return
	}
	*to = d
}

func (r *reader) oneOf(field, text, def string, allowed ...string) string {
	if text == "" {
		return def
	}
	if !slices.Contains(allowed, text) {
		r.bad(field, fmt.Sprintf("%s is %q", field, text), "it can be "+quoteList(allowed))
		return def
	}
	return text
}

func quoteList(words []string) string {
	q := make([]string, len(words))
	for i, w := range words {
		q[i] = strconv.Quote(w)
	}
	if len(q) < 2 {
		return strings.Join(q, "")
	}
	return strings.Join(q[:len(q)-1], ", ") + " or " + q[len(q)-1]
}

// secret reads the file a secret is kept in.
func (r *reader) secret(field, path string) (secret string, ok bool) {
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" && path == filepath.Base(path) {
		path = filepath.Join(dir, path) // handed over by the service manager
	}
	b, err := os.ReadFile(path)
	if err != nil {
		r.bad(field, fmt.Sprintf("the file %s can't be read", path), "check the path, and that the station's user may read it; for a service see LoadCredential in its unit file")
		return "", false
	}
	return string(bytes.TrimSpace(b)), true
}

func (r *reader) config(f *file) *Config {
	c := Default()
	c.Path = r.path
	if f.Station.Name != "" {
		c.Name = f.Station.Name
	}
	if f.Station.Data != "" {
		c.Data = f.Station.Data
	}
	c.Units = r.oneOf("station.temperature", f.Station.Temperature, "C", "C", "F")
	c.Mass = r.oneOf("station.mass", f.Station.Mass, "g", "g", "oz")
	if f.Station.Altitude != "" {
		m, err := parseAltitude(f.Station.Altitude)
		if err != nil || m < -430 || m > 5500 {
			r.bad("station.altitude", fmt.Sprintf("altitude is %q", f.Station.Altitude), `write the height of your kitchen like "120 m" or "400 ft"`)
		} else {
			c.Altitude = m
		}
	}
	c.Sheet.Thresholds.BathCeiling = boiling(c.Altitude)
	r.page(f, c)
	r.batch(f, c)
	r.pots(f, c)
	r.probes(f, c)
	r.alarms(f, c)
	r.channels(f, c)
	return c
}

func (r *reader) page(f *file, c *Config) {
	if f.Page.Listen != "" {
		host, port, err := net.SplitHostPort(f.Page.Listen)
		if n, e2 := strconv.Atoi(port); err != nil || e2 != nil || n < 0 || n > 65535 || strings.ContainsAny(host, " /") {
			r.bad("page.listen", fmt.Sprintf("listen is %q", f.Page.Listen), `write an address and a port, such as "127.0.0.1:8460" or "0.0.0.0:8460"`)
		} else {
			c.Page.Listen = f.Page.Listen
		}
	}
	c.Page.TLS = r.oneOf("page.tls", f.Page.TLS, "off", "off", "own", "files")
	c.Page.Certificate, c.Page.Key, c.Page.Hosts, c.Page.MetricsKey = f.Page.Certificate, f.Page.Key, f.Page.Hosts, f.Page.MetricsKey
	if c.Page.TLS == "files" && (c.Page.Certificate == "" || c.Page.Key == "") {
		r.bad("page.tls", `tls is "files" but certificate or key is missing`, `give both paths, or use "own"`)
	}
}

func (r *reader) batch(f *file, c *Config) {
	b, t, tm := &f.Batch, &c.Sheet.Thresholds, &c.Sheet.Timers
	r.celsius("batch.scent_add", b.ScentAdd, &t.ScentAdd)
	if b.Pour != "" {
		half := (t.PourHigh - t.PourLow) / 2
		r.celsius("batch.pour", b.Pour, &t.Pour)
		t.PourHigh, t.PourLow = t.Pour+half, t.Pour-half
	}
	r.celsius("batch.pour_high", b.PourHigh, &t.PourHigh)
	r.celsius("batch.pour_low", b.PourLow, &t.PourLow)
	r.celsius("batch.scorch", b.Scorch, &t.Scorch)
	r.celsius("batch.congeal", b.Congeal, &t.Congeal)
	r.kelvin("batch.flash_margin", b.FlashMargin, &t.FlashMargin)
	if b.Flash != "" {
		fp := plan.FlashPoint{Oil: "fragrance", Method: r.oneOf("batch.flash_method", b.FlashMethod, "not stated", "closed cup", "open cup", "not stated")}
		r.celsius("batch.flash_point", b.Flash, &fp.Celsius)
		t.Flash = &fp
	}
	r.duration("batch.stir", b.Stir, &tm.Stir)
	r.duration("batch.trim", b.Trim, &tm.Trim)
	r.duration("batch.move", b.Move, &tm.Move)
	r.duration("batch.cure", b.Cure, &tm.Cure)
	r.duration("cues.lead", f.Cues.Lead, &tm.CueLead)
	r.duration("cues.warm_jars", f.Cues.WarmJars, &tm.WarmJars)
	problems := t.ValidateIn(c.Units)
	for _, p := range problems {
		name := p.Field[strings.LastIndexByte(p.Field, '.')+1:]
		what, mend := fmt.Sprintf("%s is %s", name, p.Value), p.Mend
		switch {
		case name == "flash":
			name, what = "flash_point", "flash_point is "+p.Value
		case name == "pour_high" && b.PourHigh == "" && b.Pour != "":
			// The file has the middle of the window only.
			name, what = "pour", fmt.Sprintf("pour is %q, with the top of its window at %s", b.Pour, p.Value)
			mend = strings.ReplaceAll(mend, "pour_high", "pour")
		}
		r.bad("batch."+name, what+": "+p.Rule, mend)
	}
	if len(problems) == 0 && t.Flash != nil && t.ScentAdd >= t.Flash.Celsius-t.FlashMargin {
		// A recipe that says so can't be started either.
		deg := func(celsius float64) string { return units.Temperature(celsius, c.Units, 1) }
		if t.ScentAdd >= t.Flash.Celsius {
			r.bad("batch.scent_add", fmt.Sprintf("scent-add is %s, at or over the flash point (%s): the vapour can catch fire", deg(t.ScentAdd), deg(t.Flash.Celsius)), "add the fragrance cooler, or choose another oil")
		} else {
			r.bad("batch.scent_add", fmt.Sprintf("scent-add is %s, within %s of the flash point (%s), where the flash-point alarm stands", deg(t.ScentAdd), units.Difference(t.FlashMargin, c.Units, 0), deg(t.Flash.Celsius)), "add the fragrance cooler, or choose another oil")
		}
	}
}

func (r *reader) pots(f *file, c *Config) {
	if len(f.Pot) == 0 {
		return
	}
	c.Pots = nil
	for i, p := range f.Pot {
		field := nth("pot", i)
		if !idPattern.MatchString(p.ID) {
			r.bad(field+".id", fmt.Sprintf("the pot's id is %q", p.ID), "use a short word of letters, digits and dashes")
			continue
		}
		if slices.ContainsFunc(c.Pots, func(o Pot) bool { return o.ID == p.ID }) {
			r.bad(field+".id", fmt.Sprintf("two pots have the id %q", p.ID), "give each its own")
			continue
		}
		name := p.Name
		if name == "" {
			name = p.ID
		}
		c.Pots = append(c.Pots, Pot{ID: p.ID, Name: name, Jug: p.Jug})
	}
	if len(c.Pots) == 0 { // all refused: what follows still needs one to speak of
		c.Pots = Default().Pots
	}
}

var idPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$`)

func (r *reader) alarms(f *file, c *Config) {
	a := &c.Alarms
	r.duration("alarms.unattended_after", f.Alarms.Unattended, &a.UnattendedFor)
	r.celsius("alarms.unattended_above", f.Alarms.UnattendedAbove, &a.HotAbove)
	r.duration("alarms.heat_left_on_after", f.Alarms.HeatLeftOn, &a.HeatOffAfter)
	if f.Alarms.QuietFrom != "" || f.Alarms.QuietTo != "" {
		err1 := c.Quiet.From.UnmarshalText([]byte(f.Alarms.QuietFrom))
		err2 := c.Quiet.To.UnmarshalText([]byte(f.Alarms.QuietTo))
		if err1 != nil || err2 != nil {
			r.bad("alarms.quiet_from", "the quiet hours are not two times of day", `write quiet_from = "22:00" and quiet_to = "07:00"`)
		}
	}
	if err := a.Validate(); err != nil {
		r.bad("alarms", err.Error(), "change it to a usable value")
	}
}

func (r *reader) channels(f *file, c *Config) {
	names := map[string]bool{}
	check := func(field, name, kind string, err error) {
		for _, e := range split(err) {
			var fe *notify.FieldError
			if errors.As(e, &fe) {
				what := fmt.Sprintf("%s is %q", fe.Field, fe.Value)
				if fe.Value == notify.Hidden {
					what = fe.Field + " can't be used (it may hold a secret and is not shown here)"
				}
				r.bad(field+"."+fe.Field, what, "it "+fe.Rule)
			} else {
				r.bad(field, e.Error(), "correct it")
			}
		}
		if name == "" {
			name = kind
		}
		if names[name] {
			r.bad(field+".name", fmt.Sprintf("two channels are called %q", name), "give each a name of its own")
		}
		names[name] = true
	}
	for i, w := range f.Webhook {
		field := nth("webhook", i)
		readable := true
		if w.SecretFile != "" {
			w.Secret, readable = r.secret(field+".secret_file", w.SecretFile)
		}
		if readable {
			check(field, w.Name, "webhook", w.WebhookConfig.Validate())
		}
		c.Webhooks = append(c.Webhooks, w.WebhookConfig)
	}
	for i, m := range f.Mail {
		field := nth("mail", i)
		if m.PasswordFile != "" {
			m.Password, _ = r.secret(field+".password_file", m.PasswordFile)
		}
		check(field, m.Name, "mail", m.MailConfig.Validate())
		c.Mails = append(c.Mails, m.MailConfig)
	}
	for i, p := range f.Pin {
		check(nth("pin", i), p.Name, "pin", p.Validate())
		c.Pins = append(c.Pins, p)
	}
	if p := f.Push; p != nil {
		if !strings.Contains(p.Contact, "@") && !strings.HasPrefix(p.Contact, "https://") {
			r.bad("push.contact", fmt.Sprintf("contact is %q", p.Contact), "give your mail address: push services want to know whom to ask")
		}
		c.Push = &notify.PushConfig{Common: p.Common, Contact: p.Contact}
	}
}

// split takes joined errors apart.
func split(err error) []error {
	if err == nil {
		return nil
	}
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		return j.Unwrap()
	}
	return []error{err}
}

func (r *reader) probes(f *file, c *Config) {
	lines := map[string]int{}   // the first probe on a serial port
	devices := map[string]int{} // who uses a thermometer
	ids := map[string]bool{}
	for i := range f.Probe {
		p := &f.Probe[i]
		field := nth("probe", i)
		out := Probe{}
		s := &out.Spec
		before := len(r.problems)
		s.Kind = r.oneOf(field+".kind", p.Kind, "w1", "w1", "onewire", "serial-text", "modbus")
		if len(r.problems) > before {
			continue // what belongs to it can't be judged
		}
		s.Role = probe.Role(r.oneOf(field+".role", p.Role, "pot", "pot", "room", "bath", "jar"))
		s.Every = time.Second
		r.duration(field+".every", p.Every, &s.Every)
		r.duration(field+".timeout", p.Timeout, &s.Timeout)
		if s.Every < probe.MinEvery || s.Every > time.Minute {
			r.bad(field+".every", "a probe is read every 50 ms to 60 s", `write every = "1 s"`)
		}
		r.celsius(field+".least", p.Least, &s.Min)
		r.celsius(field+".most", p.Most, &s.Max)
		if s.Min > s.Max || s.Min == s.Max && s.Min != 0 {
			r.bad(field+".least", "least is not below most", "swap them, or take them out")
		}
		s.Pot = p.Pot
		if s.Pot == "" && s.Role != probe.RoleRoom {
			s.Pot = c.Pots[0].ID
			if len(c.Pots) > 1 {
				r.bad(field, "this probe doesn't say which pot it is in", fmt.Sprintf("add pot = %q, or another pot's id", c.Pots[0].ID))
			}
		}
		if s.Pot != "" && !slices.ContainsFunc(c.Pots, func(o Pot) bool { return o.ID == s.Pot }) {
			r.bad(field+".pot", fmt.Sprintf("there is no pot %q", s.Pot), "give the id of one of the [[pot]] tables")
		}

		var key string
		switch s.Kind {
		case "w1", "onewire":
			key = r.w1(field, p, &out)
		default:
			key = r.serial(field, p, &out)
			if j, taken := lines[p.Port]; taken && p.Port != "" {
				switch o := f.Probe[j]; {
				case o.Kind != p.Kind:
					r.bad(field+".port", fmt.Sprintf("port %s is used as %q and as %q", p.Port, o.Kind, p.Kind), "one line speaks one language: give this probe another port")
				case s.Kind == "modbus" && (o.Baud != p.Baud || o.Parity != p.Parity || o.StopBits != p.StopBits):
					r.bad(field, fmt.Sprintf("probes on port %s have different speeds or parities", p.Port), "give all of them the same baud, parity and stop_bits")
				}
			} else {
				lines[p.Port] = i
			}
		}
		j, taken := devices[key]
		if taken = taken && key != ""; taken {
			r.bad(field, fmt.Sprintf("two probes share %s (the other is on line %d)", key, r.lines.at(nth("probe", j))), "a port or sensor serves one probe: take one out, or correct it")
		}
		devices[key] = i
		s.Where = key
		s.ID = p.ID
		if s.ID == "" {
			s.ID = key
		}
		if ids[s.ID] && s.ID != "" && !(taken && p.ID == "") { // that is said already
			r.bad(field+".id", fmt.Sprintf("two probes have the id %q", s.ID), "give each its own")
		}
		ids[s.ID] = true
		s.Name = p.Name
		if s.Name == "" {
			s.Name = s.ID
		}
		c.Probes = append(c.Probes, out)
	}
}

// nth names one of several tables, counted from one as people do: "probe[2]".
func nth(table string, i int) string { return fmt.Sprintf("%s[%d]", table, i+1) }

// w1 reads what belongs to a 1-Wire probe and returns what it occupies.
func (r *reader) w1(field string, p *fileProbe, out *Probe) string {
	if p.Bits != 0 && (p.Bits < 9 || p.Bits > 12) {
		r.bad(field+".bits", fmt.Sprintf("bits is %d", p.Bits), "a DS18B20 measures with 9, 10, 11 or 12 bits")
	}
	p.Device = strings.ToLower(p.Device) // as the kernel writes it
	switch {
	case p.Device == "":
		r.bad(field+".device", "the probe's device is missing", `give its id as "meltstation probes" shows it, such as "28-0316a2794eff"`)
	case !w1.IsID(p.Device):
		r.bad(field+".device", fmt.Sprintf("device %q is no 1-Wire id", p.Device), `copy it as "meltstation probes" shows it: two digits or letters, a dash and twelve more, such as "28-0316a2794eff"`)
	}
	if p.Port != "" {
		r.bad(field+".port", "a 1-Wire probe has no port", "take the port out, or change kind")
	}
	out.W1 = &W1{ID: p.Device, Root: p.Root, Bits: p.Bits, Bus: p.Bus}
	return p.Device
}

// serial reads what belongs to a probe on a serial line and returns what it
// occupies.
func (r *reader) serial(field string, p *fileProbe, out *Probe) string {
	if p.Port == "" {
		r.bad(field+".port", "the serial port is missing", `give it, such as "/dev/ttyUSB0"`)
		return ""
	}
	if p.Device != "" {
		r.bad(field+".device", "a probe on a serial line has no device", "take it out, or change kind")
	}
	unit := r.oneOf(field+".unit", p.Unit, "C", "C", "F", "K")
	var cold *float64
	if p.Cold != "" {
		cold = new(float64)
		r.celsius(field+".cold_junction", p.Cold, cold)
	}
	if out.Spec.Kind == "serial-text" {
		t := serialtc.TextConfig{
			Port: p.Port, Baud: p.Baud, DataBits: p.DataBits, Parity: p.Parity, StopBits: p.StopBits,
			Pattern: p.Pattern, Unit: unit, Thermocouple: p.Type, Cold: cold, Ask: p.Ask,
		}
		if err := t.Validate(); err != nil {
			r.bad(field, err.Error(), "correct it in this [[probe]]")
		}
		out.Text = &t
		return p.Port
	}
	m := serialtc.ModbusConfig{
		LineConf: serialtc.LineConfig{Port: p.Port, Baud: p.Baud, Parity: p.Parity, StopBits: p.StopBits},
		Slave:    p.Slave, Function: p.Function, Type: p.Format, Scale: p.Scale, Unit: unit,
		Thermocouple: p.Type, Cold: cold, ColdRegister: p.ColdReg,
	}
	if p.Register == nil {
		r.bad(field+".register", "the register is missing", "give its address from 0, one less than papers that count from 1")
		return ""
	}
	m.Register = *p.Register
	if err := m.Validate(); err != nil {
		r.bad(field, err.Error(), "correct it in this [[probe]]")
	}
	out.Modbus = &m
	return fmt.Sprintf("%s#%d/%d", p.Port, p.Slave, m.Register)
}
