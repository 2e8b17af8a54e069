package replay

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"example.org/meltstation/alerts/forecast"
)

// Row is one line of a recorded curve.
type Row struct {
	Line    int             // in the file, from 1
	Time    string          // as it stood in the file
	Seconds float64         // from an origin of the file's own; RFC 3339 becomes Unix time
	Clock   bool            // Time is RFC 3339
	Celsius float64         // NaN when the line has no temperature
	Ambient float64         // °C, NaN when the line has none
	Event   string          // "" when nothing happened
	Quality string          // "" or "good" when it may be used
	Role    string          // "" or "pot" for the wax
	Station bool            // Seconds is the station's own time line, which knows no steps
	Known   *forecast.Known // what the forecast knew when a batch started; nil on every other line
}

// Error is what is wrong with a file, where, and the mend.
type Error struct {
	File string
	Line int
	What string
	Mend string
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d: %s: %s", e.File, e.Line, e.What, e.Mend)
}

// Reader reads the rows of one file.
type Reader struct {
	name string
	in   *bufio.Reader
	line int
	cols columns
	// Cut tells that the last line was cut short and left out: what a logger
	// leaves behind that was killed while writing. It holds the line's number.
	Cut int
}

type columns struct {
	n                                    int
	time, temp, ambient, event           int
	quality, role                        int
	tempF, ambientF, seconds, mayBeClock bool
	sep                                  byte
	station, data                        int // -1 = none
}

// NewReader reads the header line of a file; name is for error messages.
func NewReader(name string, r io.Reader) (*Reader, error) {
	rd := &Reader{name: name, in: bufio.NewReaderSize(r, 1<<16)}
	head, _, err := rd.next()
	if errors.Is(err, io.EOF) {
		return nil, rd.fail("the file is empty", `begin it with a header line such as "time_s,temp_c"`)
	} else if err != nil {
		return nil, err
	}
	c := columns{time: -1, temp: -1, ambient: -1, event: -1, quality: -1, role: -1, station: -1, data: -1, sep: ','}
	head = strings.TrimPrefix(head, "\ufeff")
	if !strings.Contains(head, ",") {
		for _, s := range []byte{';', '\t'} {
			if strings.IndexByte(head, s) >= 0 {
				c.sep = s
			}
		}
	}
	var buf []string
	fields := split(head, c.sep, buf)
	c.n = len(fields)
	var tempName string
	for i, f := range fields {
		switch key := strings.ToLower(strings.TrimSpace(f)); key {
		case "time":
			if c.time < 0 || c.seconds {
				c.time, c.seconds, c.mayBeClock = i, false, true
			}
		case "time_s", "seconds":
			if c.time < 0 {
				c.time, c.seconds = i, true
			}
		case "temp_c", "temp_f":
			if c.temp >= 0 {
				if tempName == key {
					return nil, rd.fail(fmt.Sprintf("two columns are called %q", key), "rename or remove one of them")
				}
				if key == "temp_f" { // both units: the Celsius one is taken
					continue
				}
			}
			tempName = key
			c.temp, c.tempF = i, key == "temp_f"
		case "ambient_c", "ambient_f":
			if c.ambient < 0 || key == "ambient_c" {
				c.ambient, c.ambientF = i, key == "ambient_f"
			}
		case "event":
			c.event = i
		case "quality":
			c.quality = i
		case "role":
			c.role = i
		case "station_s":
			c.station = i
		case "data":
			c.data = i
		}
	}
	if c.time < 0 {
		return nil, rd.fail("the header line has no time column", `call it "time" (RFC 3339) or "time_s" (seconds)`)
	}
	if c.temp < 0 {
		return nil, rd.fail("the header line has no temperature column", `call it "temp_c" or "temp_f"`)
	}
	rd.cols = c
	return rd, nil
}

func (r *Reader) fail(what, mend string) error {
	return &Error{File: r.name, Line: max(r.line, 1), What: what, Mend: mend}
}

const maxLine = 1 << 20

// next returns the next line that is neither empty nor a comment. whole is
// false for a last line without its line end.
func (r *Reader) next() (s string, whole bool, err error) {
	for {
		var b []byte
		whole = true
		for {
			part, err := r.in.ReadSlice('\n')
			b = append(b, part...)
			if err == bufio.ErrBufferFull && len(b) < maxLine {
				continue
			}
			if err == io.EOF {
				whole = false
				break
			}
			if err != nil {
				r.line++
				if err == bufio.ErrBufferFull {
					return "", false, r.fail("the line is longer than a megabyte", "this does not look like a table of readings")
				}
				return "", false, fmt.Errorf("reading %s: %w", r.name, err)
			}
			break
		}
		if len(b) == 0 && !whole {
			return "", false, io.EOF
		}
		r.line++
		s = strings.TrimRight(string(b), "\r\n")
		if t := strings.TrimSpace(s); t != "" && t[0] != '#' {
			return s, whole, nil
		}
		if !whole {
			return "", false, io.EOF
		}
	}
}

// split cuts a line at sep; a field in double quotes may hold sep.
func split(s string, sep byte, out []string) []string {
	out = out[:0]
	if strings.IndexByte(s, '"') < 0 {
		for {
			i := strings.IndexByte(s, sep)
			if i < 0 {
				return append(out, s)
			}
			out = append(out, s[:i])
			s = s[i+1:]
		}
	}
	var b strings.Builder
	quoted := false
	for i := 0; i < len(s); i++ {
		switch ch := s[i]; {
		case ch == '"' && quoted && i+1 < len(s) && s[i+1] == '"':
			b.WriteByte('"')
			i++
		case ch == '"':
			quoted = !quoted
		case ch == sep && !quoted:
			out = append(out, b.String())
			b.Reset()
		default:
			b.WriteByte(ch)
		}
	}
	return append(out, b.String())
}

// Next returns the next row, or io.EOF after the last.
func (r *Reader) Next() (Row, error) {
	s, whole, err := r.next()
	if err != nil {
		return Row{}, err
	}
	row, err := r.parse(s)
	if err != nil && !whole {
		// Cut off in the middle of a line: everything before it stands.
		r.Cut = r.line
		return Row{}, io.EOF
	}
	return row, err
}

func (r *Reader) parse(s string) (Row, error) {
	c := &r.cols
	f := split(s, c.sep, make([]string, 0, c.n))
	row := Row{Line: r.line, Celsius: math.NaN(), Ambient: math.NaN()}
	if len(f) <= c.time || len(f) <= c.temp {
		return row, r.fail(fmt.Sprintf("the line has %d of %d columns", len(f), c.n), "complete it or remove it")
	}
	if len(f) > c.n {
		for _, extra := range f[c.n:] {
			if strings.TrimSpace(extra) != "" {
				return row, r.fail(fmt.Sprintf("the line has %d columns, the header %d", len(f), c.n), "write decimals with a point, and text with commas in double quotes")
			}
		}
	}
	row.Time = strings.TrimSpace(f[c.time])
	v, err := strconv.ParseFloat(row.Time, 64)
	switch {
	case err == nil && !math.IsNaN(v) && !math.IsInf(v, 0):
		row.Seconds = v
	case c.mayBeClock:
		t, ok := parseClock(row.Time)
		if !ok {
			return row, r.fail(fmt.Sprintf("%q is no time", row.Time), `write RFC 3339, such as 2026-05-24T14:30:00Z, or seconds`)
		}
		row.Clock = true
		row.Seconds = float64(t.Unix()) + float64(t.Nanosecond())/1e9
	default:
		return row, r.fail(fmt.Sprintf("%q is no number of seconds", row.Time), `write seconds such as 12.5, or call the column "time" for times of day`)
	}
	if row.Celsius, err = r.temperature(f[c.temp], c.tempF); err != nil {
		return row, err
	}
	if c.ambient >= 0 && c.ambient < len(f) {
		if row.Ambient, err = r.temperature(f[c.ambient], c.ambientF); err != nil {
			return row, err
		}
	}
	get := func(i int) string {
		if i < 0 || i >= len(f) {
			return ""
		}
		return strings.TrimSpace(f[i])
	}
	row.Event, row.Quality, row.Role = get(c.event), strings.ToLower(get(c.quality)), strings.ToLower(get(c.role))
	if v, err := strconv.ParseFloat(get(c.station), 64); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		row.Seconds, row.Station = v, true
	}
	if row.Event == "start" && c.data >= 0 {
		var d struct{ Forecast *forecast.Known }
		if json.Unmarshal([]byte(get(c.data)), &d) == nil {
			row.Known = d.Forecast
		}
	}
	return row, nil
}

func parseClock(s string) (time.Time, bool) {
	for _, layout := range [...]string{time.RFC3339Nano, "2006-01-02 15:04:05.999999999Z07:00", "2006-01-02T15:04:05.999999999", "2006-01-02 15:04:05.999999999"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

func (r *Reader) temperature(s string, fahrenheit bool) (float64, error) {
	s = strings.TrimSpace(s)
	switch strings.ToLower(s) {
	case "", "nan", "na", "n/a", "null", "none", "-", "--":
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, r.fail(fmt.Sprintf("%q is no temperature", s), "write a plain number such as 57.2, or leave it empty where there was no reading")
	}
	if fahrenheit {
		v = (v - 32) / 1.8
	}
	return v, nil
}
