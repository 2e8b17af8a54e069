package config_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
)

const whole = `
[station]
name = "The Boathouse"
data = "/var/lib/meltstation"
temperature = "F"
mass = "oz"
altitude = "400 ft"

[page]
listen = "0.0.0.0:8460"
tls = "own"
hosts = ["boathouse.local"]

[[pot]]
id = "big"
name = "Big jug"
jug = "steel"

[[pot]]
id = "small"

[[probe]]
pot = "big"
device = "28-0316a2794eff"

[[probe]]
role = "room"
device = "28-00000a1b2c3d"
every = "5 s"

[[probe]]
kind = "serial-text"
pot = "small"
port = "/dev/ttyUSB0"
pattern = '^T=(?P<temp>[-0-9.]+)(?P<unit>[CF])'

[[probe]]
id = "bath"
kind = "modbus"
role = "bath"
pot = "small"
port = "/dev/ttyUSB1"
slave = 3
register = 0
scale = 0.1

[[probe]]
kind = "modbus"
pot = "big"
role = "bath"
port = "/dev/ttyUSB1"
slave = 4
register = 0
scale = 0.1

[batch]
scent_add = "185 °F"
pour = "135 °F"
flash_point = "102 °C"
flash_method = "closed cup"
cure = "14 days"

[cues]
lead = "3 min"

[alarms]
quiet_from = "22:00"
quiet_to = "07:00"
`

func TestWholeFile(t *testing.T) {
	c, err := config.Parse("station.toml", []byte(whole))
	if err != nil {
		t.Fatal(err)
	}
	th := c.Sheet.Thresholds
	// 185 °F and 135 °F: exact conversions, NIST SP 811 B.8 (from memory).
	if math.Abs(th.ScentAdd-85) > 1e-9 || math.Abs(th.Pour-57.2222222222) > 1e-9 || th.PourLow >= th.Pour || th.PourHigh <= th.Pour {
		t.Errorf("thresholds %+v", th)
	}
	if th.Flash == nil || th.Flash.Method != "closed cup" {
		t.Errorf("flash point %+v", th.Flash)
	}
	if len(c.Pots) != 2 || c.Pots[1].Name != "small" || len(c.Probes) != 5 {
		t.Fatalf("pots %+v, probes %d", c.Pots, len(c.Probes))
	}
	if p := c.Probes[1]; p.Spec.Role != probe.RoleRoom || p.Spec.Pot != "" || p.Spec.Every != 5*time.Second {
		t.Errorf("room probe %+v", p.Spec)
	}
	if c.Probes[2].Text == nil || c.Probes[3].Modbus == nil || c.Probes[3].Spec.ID != "bath" {
		t.Errorf("serial probes %+v", c.Probes[2:])
	}
	if c.Sheet.Timers.Cure != 14*24*time.Hour || c.Sheet.Timers.CueLead != 3*time.Minute {
		t.Errorf("timers %+v", c.Sheet.Timers)
	}
	if math.Abs(c.Altitude-121.92) > 1e-9 {
		t.Errorf("altitude %v m", c.Altitude)
	}
	specs, err := c.ProbeSpecs(nil)
	if err != nil || len(specs) != 5 || specs[0].Open == nil {
		t.Errorf("specs %v, %v", specs, err)
	}
}

func TestDefaultIsUsable(t *testing.T) {
	c, err := config.Parse("empty.toml", nil)
	if err != nil {
		t.Fatal(err)
	}
	if bad := c.Sheet.Thresholds.Validate(); len(bad) > 0 {
		t.Errorf("the default thresholds are refused: %v", bad)
	}
	if !strings.HasPrefix(c.Page.Listen, "127.0.0.1:") {
		t.Errorf("the page is bound to %q by default", c.Page.Listen)
	}
}

func TestRefused(t *testing.T) {
	for _, tc := range []struct {
		name, text string
		line       int
		words      []string // of the error
	}{
		{"unknown key", "[batch]\nscent_ad = \"85 C\"\n", 2, []string{"scent_ad", `did you mean "scent_add"`}},
		{"unknown table", "[sprocket]\nx = 1\n", 1, []string{"sprocket"}},
		{"known elsewhere", "name = \"x\"\n", 1, []string{"name", "[table]"}},
		{"nothing like it", "[oil]\nx = 1\n", 1, []string{"check its spelling"}},
		{"not TOML", "[station\n", 1, []string{"brackets"}},
		{"twice", "[station]\nname = \"a\"\nname = \"b\"\n", 3, []string{"take one of them out"}},
		{"curly quotes", "[station]\nname = “a”\n", 2, []string{"straight"}},
		{"pour as written", "[station]\ntemperature = \"F\"\n[batch]\nscent_add = \"185 F\"\npour = \"190 F\"\n", 5, []string{`pour is "190 F"`, "185.0 °F", "lower pour or"}},
		{"scent-add over the flash point", "[batch]\nscent_add = \"85 C\"\nflash_point = \"80 C\"\n", 2, []string{"85.0 °C", "80.0 °C", "catch fire"}},
		{"scent-add at the flash alarm", "[batch]\nscent_add = \"85 C\"\nflash_point = \"90 C\"\n", 2, []string{"85.0 °C", "within 10 °C"}},
		{"no flash point", "[batch]\nflash_point = \"2120 F\"\n", 2, []string{"data sheet"}},
		{"no id", "[[probe]]\ndevice = \"28-00000a1b2c3\"\n", 2, []string{"28-0316a2794eff"}},
		{"hidden value", "[[webhook]]\nurl = \"host.example/SECRET\"\nsecret = \"0123456789abcdef\"\n", 2, []string{"url can't be used", "web address"}},
		{"wrong kind", "[station]\nname = 7\n", 2, []string{"quotes"}},
		{"no unit", "[batch]\npour = \"57\"\n", 2, []string{"57", "unit"}},
		{"wrong unit", "\n[batch]\npour = \"57 kg\"\n", 3, []string{"57 kg", "°F"}},
		{"pour above scent-add", "[batch]\nscent_add = \"60 C\"\npour_high = \"75 C\"\npour = \"70 C\"\npour_low = \"65 C\"\n", 3, []string{"pour", "scent"}},
		{"flash point below the pour temperature", "[batch]\npour = \"57 C\"\nflash_point = \"50 C\"\n", 3, []string{"flash"}},
		{"two probes on one port", "[[probe]]\nkind = \"serial-text\"\nport = \"/dev/ttyUSB0\"\n\n[[probe]]\nkind = \"serial-text\"\nrole = \"room\"\nport = \"/dev/ttyUSB0\"\n", 5, []string{"/dev/ttyUSB0", "line 1"}},
		{"two probes on one sensor", "[[probe]]\ndevice = \"28-000000000001\"\n[[probe]]\nrole=\"room\"\ndevice = \"28-000000000001\"\n", 3, []string{"28-000000000001", "line 1"}},
		{"no register", "[[probe]]\nkind = \"modbus\"\nport = \"/dev/x\"\nslave = 1\n", 1, []string{"register"}},
		{"slave", "[[probe]]\nkind = \"modbus\"\nport = \"/dev/x\"\nslave = 300\nregister = 1\n", 1, []string{"300"}},
		{"bad pattern", "[[probe]]\nkind = \"serial-text\"\nport = \"/dev/x\"\npattern = '('\n", 1, []string{"pattern"}},
		{"unknown pot", "[[probe]]\npot = \"nowhere\"\ndevice = \"28-000000000001\"\n", 2, []string{"nowhere", "[[pot]]"}},
		{"which pot", "[[pot]]\nid = \"a\"\n[[pot]]\nid = \"b\"\n[[probe]]\ndevice = \"28-000000000001\"\n", 5, []string{"which pot"}},
		{"same pot twice", "[[pot]]\nid = \"a\"\n[[pot]]\nid = \"a\"\n", 4, []string{`"a"`}},
		{"listen", "[page]\nlisten = \"kitchen\"\n", 2, []string{"127.0.0.1:8460"}},
		{"certificate", "[page]\ntls = \"files\"\n", 2, []string{"certificate"}},
		{"every", "[[probe]]\ndevice = \"28-000000000001\"\nevery = \"0.01 s\"\n", 3, []string{"50 ms"}},
		{"webhook", "[[webhook]]\nurl = \"ftp://x\"\nsecret = \"0123456789abcdef\"\n", 2, []string{"url"}},
		{"altitude", "[station]\naltitude = \"high\"\n", 2, []string{"120 m"}},
		{"quiet", "[alarms]\nquiet_from = \"late\"\n", 2, []string{"22:00"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := config.Parse("station.toml", []byte(tc.text))
			if err == nil {
				t.Fatal("accepted")
			}
			var p config.Problem
			if !errors.As(err, &p) {
				t.Fatalf("%T is no Problem: %v", err, err)
			}
			if p.File != "station.toml" || p.Line != tc.line || p.Mend == "" {
				t.Errorf("file %q line %d mend %q; want line %d and a mend", p.File, p.Line, p.Mend, tc.line)
			}
			for _, w := range tc.words {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("error does not speak of %q: %v", w, err)
				}
			}
		})
	}
}

func TestProblemsAreSaidOnceAndCountFromOne(t *testing.T) {
	_, err := config.Parse("s.toml", []byte(`
[[probe]]
device = "28-000000000001"
[[probe]]
role = "lid"
device = "28-000000000001"
[batch]
scent_add = "banana"
pour_low = "57"
`))
	want := []string{
		`s.toml:8: batch.scent_add is "banana": not a number; write a temperature like 185 °F or 85 °C`,
		`s.toml:9: batch.pour_low is "57": unit missing or not known; write °F or °C after the number, like 185 °F or 85 °C`,
		`s.toml:5: probe[2].role is "lid"; it can be "pot", "room", "bath" or "jar"`,
		`s.toml:4: two probes share 28-000000000001 (the other is on line 2); a port or sensor serves one probe: take one out, or correct it`,
	}
	if err == nil || err.Error() != strings.Join(want, "\n") {
		t.Errorf("got:\n%v\nwant:\n%s", err, strings.Join(want, "\n"))
	}
}

// A file that an editor saved with a byte order mark is read, and an id in capitals
// is the one that the kernel writes small.
func TestForgiven(t *testing.T) {
	c, err := config.Parse("s.toml", []byte("\xef\xbb\xbf[[probe]]\r\ndevice = \"28-0316A2794EFF\"\r\n"))
	if err != nil || len(c.Probes) != 1 || c.Probes[0].Spec.ID != "28-0316a2794eff" {
		t.Errorf("%+v, %v", c, err)
	}
}

func TestSecretsStayOut(t *testing.T) {
	_, err := config.Parse("station.toml", []byte("[[webhook]]\nurl = \"https://example.org/secret-path\"\nsecret = \"hunter2hunter\"\n"))
	if err == nil || strings.Contains(err.Error(), "hunter2") {
		t.Errorf("error %v", err)
	}
}

func TestLoadNamesTheFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "none.toml")
	_, err := config.Load(path)
	if err == nil || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "--config") {
		t.Errorf("error %v", err)
	}
	if err := os.WriteFile(path, []byte("[station]\nname = \"x\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, err := config.Load(path); err != nil || c.Name != "x" || c.Path != path {
		t.Errorf("%+v, %v", c, err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(whole))
	f.Add([]byte("[[probe]]\nkind=\"modbus\"\n[[pot]]\n"))
	f.Add([]byte("batch = 1\n[batch.pour]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := config.Parse("f", data)
		if err == nil && len(c.Sheet.Thresholds.Validate()) > 0 {
			t.Error("accepted thresholds that a batch would be refused with")
		}
	})
}

// A secret named without a folder is the one that the service manager hands over
// (systemd.exec(5), LoadCredential); elsewhere it is a file like any other.
func TestSecretHandedOver(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "webhook.secret"), []byte("from the service manager\n"), 0o400); err != nil {
		t.Fatal(err)
	}
	const in = "[[webhook]]\nurl = \"https://host.example/melt\"\nsecret_file = \"webhook.secret\"\n"
	if _, err := config.Parse("station.toml", []byte(in)); err == nil || !strings.Contains(err.Error(), "webhook.secret can't be read") || !strings.Contains(err.Error(), "LoadCredential") {
		t.Errorf("no such file: %v", err)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	c, err := config.Parse("station.toml", []byte(in))
	if err != nil {
		t.Fatal(err)
	}
	if c.Webhooks[0].Secret != "from the service manager" {
		t.Errorf("the secret is %q", c.Webhooks[0].Secret)
	}
}
