package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/sim/hardware"
)

const sensorA, sensorB = "28-0316a2795bff", "28-0416c3f1a0ee"

// plugIn makes a tree that is kept fresh for the rest of the test's bubble.
func plugIn(t *testing.T, by map[string]func(time.Duration) hardware.Wire) string {
	t.Helper()
	tree, err := hardware.NewTree(filepath.Join(t.TempDir(), "devices"))
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Now()
	for id, f := range by {
		if err := tree.Add(id, func() hardware.Wire { return f(time.Since(begin)) }); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- tree.Run(ctx, 200*time.Millisecond) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return tree.Dir()
}

func holds(c float64, m hardware.Mode) func(time.Duration) hardware.Wire {
	return func(time.Duration) hardware.Wire { return hardware.Wire{Celsius: c, Mode: m} }
}

// typed runs a command line.
func typed(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Main(t.Context(), args, Streams{In: strings.NewReader(""), Out: &o, Err: &e})
	return code, o.String(), e.String()
}

func TestProbesWell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: holds(85, hardware.ModeGood)})
		code, out, errs := typed(t, "probes", "--w1-root", root, "--data", t.TempDir())
		if code != 0 || errs != "" {
			t.Errorf("exit %d: %s", code, errs)
		}
		for _, want := range []string{sensorA, "DS18B20", "85.00 °C", "185.0 °F", "a second"} {
			if !strings.Contains(out, want) {
				t.Errorf("lacks %q:\n%s", want, out)
			}
		}
	})
}

// Each fault of a sensor, as the command tells it.
func TestProbesFaults(t *testing.T) {
	for mode, want := range map[hardware.Mode]struct{ quality, text, mend string }{
		hardware.ModeNO:      {"crc", "damaged", "pull-up"},
		hardware.ModeEmpty:   {"stale", "no fresh value", "empty answer"},
		hardware.ModeAllZero: {"short", "shorted", "held low"},
		hardware.ModeAllOnes: {"no-device", "not there", "plug it in"},
		hardware.ModePowerOn: {"power-on-reset", "restarted", "supply"},
		hardware.ModeNoPower: {"out-of-range", "can't be", "supply"},
	} {
		t.Run(want.quality, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: holds(60, mode), sensorB: holds(21, hardware.ModeGood)})
				code, out, errs := typed(t, "probes", "--w1-root", root, "--data", t.TempDir())
				if code != 1 || !strings.Contains(errs, "1 of 2") {
					t.Errorf("exit %d: %s", code, errs)
				}
				for _, w := range []string{want.text, "what to do: ", want.mend, "21.00 °C"} {
					if !strings.Contains(out, w) {
						t.Errorf("lacks %q:\n%s", w, out)
					}
				}
				_, out, _ = typed(t, "probes", "--json", "--w1-root", root, "--data", t.TempDir())
				var v struct {
					Probes []struct {
						ID, Quality, Mend string
						Attached          bool
						Celsius           *float64
						Errors            map[string]int
						Rate              float64 `json:"rate_hz"`
					}
				}
				if err := json.Unmarshal([]byte(out), &v); err != nil || len(v.Probes) != 2 {
					t.Fatalf("%v: %s", err, out)
				}
				if p := v.Probes[0]; p.ID != sensorA || p.Quality != want.quality || p.Errors[want.quality] == 0 || !strings.Contains(p.Mend, want.mend) {
					t.Errorf("%+v", p)
				}
				if p := v.Probes[1]; p.Quality != "good" || p.Celsius == nil || *p.Celsius != 21 || p.Mend != "" || p.Rate < 0.5 || p.Rate > 1.5 { // of three or so readings
					t.Errorf("the other probe: %+v", p)
				}
			})
		})
	}
}

func TestProbesNone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		code, out, _ := typed(t, "probes", "--w1-root", filepath.Join(t.TempDir(), "none"), "--data", t.TempDir())
		if code != 1 || !strings.Contains(out, "enable 1-Wire") || !strings.Contains(out, "reboot") {
			t.Errorf("no bus, exit %d:\n%s", code, out)
		}
		code, out, _ = typed(t, "probes", "--w1-root", plugIn(t, nil), "--data", t.TempDir())
		if code != 1 || !strings.Contains(out, "4.7 kΩ") {
			t.Errorf("empty bus, exit %d:\n%s", code, out)
		}
		code, _, errs := typed(t, "probes", "more")
		if code != 2 || !strings.Contains(errs, "more") {
			t.Errorf("exit %d: %s", code, errs)
		}
		if code, _, _ := typed(t, "probes", "--for", "0s"); code != 2 {
			t.Errorf("exit %d for --for 0s", code)
		}
	})
}

// A thermometer on a pseudo-terminal, in real time: the first lines are enough.
func TestProbesSerial(t *testing.T) {
	path, unplug, err := hardware.TextLine(hardware.Fixed(61.5), hardware.TextOptions{Every: 20 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer unplug()
	code, out, errs := typed(t, "probes", "--serial", path, "--w1-root", t.TempDir(), "--data", t.TempDir())
	if code != 0 || !strings.Contains(out, "61.50 °C") {
		t.Errorf("exit %d: %s%s", code, out, errs)
	}
}

// Settings name the probes; what is attached besides is told.
func TestProbesSettings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: holds(60, hardware.ModeGood)})
		dir := t.TempDir()
		file := filepath.Join(dir, "station.toml")
		text := fmt.Sprintf("[station]\ndata = %q\n[[probe]]\nid = \"jug\"\nname = \"big jug\"\nkind = \"w1\"\nrole = \"pot\"\ndevice = %q\nroot = %q\n", dir, sensorA, root)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := calibrate.Add(filepath.Join(dir, calibrate.FileName), calibrate.Point{Probe: "jug", Kind: calibrate.Ice, Raw: 0.9, At: time.Now().AddDate(-2, 0, 0), By: "Ada"}); err != nil {
			t.Fatal(err)
		}
		code, out, errs := typed(t, "probes", "--config", file)
		if code != 0 {
			t.Errorf("exit %d: %s", code, errs)
		}
		for _, w := range []string{"big jug (jug)", "59.10 °C", "by Ada", "-0.90 °C here", "months old", "±0.5 °C"} {
			if !strings.Contains(out, w) {
				t.Errorf("lacks %q:\n%s", w, out)
			}
		}
	})
}

func TestCalibrateIceAndBoiling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// A probe that reads 0.3 °C in ice, put there after a while; it settles first.
		root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: func(at time.Duration) hardware.Wire {
			switch {
			case at < 30*time.Second:
				return hardware.Wire{Celsius: 21}
			case at > 40*time.Second && at < 42*time.Second:
				return hardware.Wire{Mode: hardware.ModeNO}
			case at < 90*time.Second:
				return hardware.Wire{Celsius: 0.3125 + 20*(90-at.Seconds())/60}
			}
			return hardware.Wire{Celsius: 0.3125}
		}})
		data := filepath.Join(t.TempDir(), "data")
		code, out, errs := typed(t, "calibrate", sensorA, "--ice", "--by", "Ada", "--w1-root", root, "--data", data)
		if code != 0 {
			t.Fatalf("exit %d: %s%s", code, out, errs)
		}
		for _, w := range []string{"crushed ice", "still far from 0.00", "no good reading", "Steady: 0.3", "drift", "-0.3", "is added", "by Ada"} {
			if !strings.Contains(out, w) {
				t.Errorf("lacks %q:\n%s", w, out)
			}
		}
		if strings.Contains(out, "Mind") {
			t.Errorf("warned of 0.31 °C:\n%s", out)
		}

		// IF97 at 898.746 hPa (1000 m in the standard atmosphere): 96.6488 °C.
		root = plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: holds(96.125, hardware.ModeGood)})
		code, out, errs = typed(t, "calibrate", sensorA, "--boiling", "--hold", "20s", "--altitude", "1000m", "--by", "Ada", "--w1-root", root, "--data", data)
		if code != 0 || !strings.Contains(out, "96.65 °C") || !strings.Contains(out, "a line through two points") || !strings.Contains(out, "scald") {
			t.Errorf("exit %d: %s%s", code, out, errs)
		}
		book, err := calibrate.Load(filepath.Join(data, calibrate.FileName))
		if err != nil {
			t.Fatal(err)
		}
		c := book.For(sensorA)
		if got := c.Apply(96.125); got < 96.6487 || got > 96.6489 {
			t.Errorf("96.125 became %v", got)
		}
		if got := c.Apply(0.3125); got < -0.02 || got > 0.02 {
			t.Errorf("0.3125 became %v", got)
		}

		// Applied at the edge, seen by "probes"; listed; forgotten.
		_, out, _ = typed(t, "probes", "--w1-root", root, "--data", data)
		if !strings.Contains(out, "96.65 °C") || !strings.Contains(out, "+0.52 °C here") {
			t.Errorf("probes:\n%s", out)
		}
		_, out, _ = typed(t, "calibrate", "--list", "--w1-root", root, "--data", data)
		if !strings.Contains(out, ", right 0.00 °C") || !strings.Contains(out, "1000 m") {
			t.Errorf("list:\n%s", out)
		}
		if code, _, errs := typed(t, "calibrate", sensorA, "--none", "--by", "Ada", "--w1-root", root, "--data", data); code != 0 {
			t.Errorf("exit %d: %s", code, errs)
		}
		_, out, _ = typed(t, "calibrate", sensorA, "--list", "--w1-root", root, "--data", data)
		if !strings.Contains(out, "used as it reads") || !strings.Contains(out, "forgotten, by Ada") || !strings.Contains(out, "read 0.3") {
			t.Errorf("list after forgetting:\n%s", out)
		}
	})
}

func TestCalibrateReference(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: holds(58.75, hardware.ModeGood)})
		code, out, errs := typed(t, "calibrate", "--reference", "135F", "--hold", "30s", "--w1-root", root, "--data", t.TempDir())
		if code != 0 || !strings.Contains(out, "57.22 °C") || !strings.Contains(out, "-1.53 °C is added") || !strings.Contains(out, "Mind: ") || !strings.Contains(out, "±0.5 °C") {
			t.Errorf("exit %d: %s%s", code, out, errs)
		}
	})
}

// A reading that never holds still, and one that is nowhere near, change nothing.
func TestCalibrateGivesUp(t *testing.T) {
	why := map[string]string{
		"moving":         "the reading did not hold still",
		"not in the ice": "the probe reads 21.00 °C, still far from 0.00 °C",
		"dead":           "no good reading came",
		"a shorted bus":  "no good reading came",
	}
	synctest.Test(t, func(t *testing.T) {
		data := t.TempDir()
		for name, f := range map[string]func(time.Duration) hardware.Wire{
			"moving":         func(at time.Duration) hardware.Wire { return hardware.Wire{Celsius: 5 - at.Minutes()/2} },
			"not in the ice": holds(21, hardware.ModeGood),
			"dead":           holds(0, hardware.ModeEmpty),
			"a shorted bus":  holds(0, hardware.ModeAllZero),
		} {
			root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: f})
			code, out, errs := typed(t, "calibrate", sensorA, "--ice", "--patience", "90s", "--w1-root", root, "--data", data)
			if code != 1 || !strings.Contains(errs, "given up after 1m30s: "+why[name]) || !strings.Contains(errs, "nothing was changed") {
				t.Errorf("%s: exit %d: %s%s", name, code, out, errs)
			}
		}
		if files, err := os.ReadDir(data); err != nil || len(files) != 0 {
			t.Errorf("left %v, %v", files, err)
		}
	})
}

func TestCalibrateRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		root := plugIn(t, map[string]func(time.Duration) hardware.Wire{sensorA: holds(21, hardware.ModeGood), sensorB: holds(22, hardware.ModeGood)})
		for _, tc := range []struct {
			args []string
			code int
			want string
		}{
			{[]string{sensorA}, 2, "give one of"},
			{[]string{sensorA, "--ice", "--boiling"}, 2, "give one of"},
			{[]string{sensorA, sensorB, "--ice"}, 2, "one probe at a time"},
			{[]string{"--ice"}, 2, sensorB},
			{[]string{"28-nope", "--ice"}, 1, "there are: " + sensorA},
			{[]string{sensorA, "--boiling"}, 2, "--altitude"},
			{[]string{sensorA, "--boiling", "--altitude", "300m", "--pressure", "1000hPa"}, 2, "not both"},
			{[]string{sensorA, "--boiling", "--altitude", "high"}, 2, "300m"},
			{[]string{sensorA, "--boiling", "--altitude", "90000m"}, 2, "altitude"},
			{[]string{sensorA, "--boiling", "--pressure", "30"}, 2, "1002hPa"},
			{[]string{sensorA, "--boiling", "--pressure", "30hPa"}, 2, "air pressure"},
			{[]string{sensorA, "--ice", "--altitude", "300m"}, 2, "--boiling"},
			{[]string{sensorA, "--reference", "warm"}, 2, "57.3C"},
			{[]string{sensorA, "--reference", "390C", "--patience", "60s"}, 1, "still far from 390.00 °C"},
			{[]string{sensorA, "--ice", "--hold", "1ms"}, 2, "--hold"},
			{[]string{sensorA, "--ice", "--config", "x.toml"}, 2, "--config"},
		} {
			args := append(append([]string{"calibrate"}, tc.args...), "--w1-root", root, "--data", t.TempDir())
			if code, _, errs := typed(t, args...); code != tc.code || !strings.Contains(errs, tc.want) {
				t.Errorf("%v: exit %d (%s), want %d, %q", tc.args, code, errs, tc.code, tc.want)
			}
		}
	})
}

// Every quality has a word.
func TestWords(t *testing.T) {
	for _, q := range probe.Kinds() {
		if word(q) == "" {
			t.Errorf("no word for %q", q)
		}
	}
}
