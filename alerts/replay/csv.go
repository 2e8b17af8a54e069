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
	Time    string          // RFC 3339, or seconds as a number
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
	tell func(line int, what string)
	// A first line that is a reading already.
	pending *string
	lastDay float64 // s, of the last time of day without a date
	days    float64 // s, midnights passed
	asked   bool    // the first temperature has been looked at
	// Cut tells that the last line was cut short and left out: what a logger
	// leaves behind that was killed while writing. It holds the line's number.
	Cut int
}

// NewReader reads the header line of a file; name is for error messages. Each
// note, where it is not nil, is told what had to be taken for granted, and the line.
func NewReader(name string, r io.Reader, note func(line int, what string)) (*Reader, error) {
	rd := &Reader{name: name, in: bufio.NewReaderSize(r, 1<<16), tell: note}
	head, _, err := rd.next()
	if errors.Is(err, io.EOF) {
		return nil, rd.fail("the file is empty", `begin it with a header line such as "time_s,temp_c"`)
	} else if err != nil {
		return nil, err
	}
	head = strings.TrimPrefix(head, "\ufeff")
	if rd.cols, err = rd.readHeader(head); err != nil {
		return nil, err
	}
	if rd.cols.headerless {
		rd.pending = &head
	}
	return rd, nil
}

// note tells of something that was taken for granted.
func (r *Reader) note(what string) {
	if r.tell != nil {
		r.tell(max(r.line, 1), what)
	}
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

// split cuts a line at sep; a field in double quotes may hold sep. A blank stands
// for any run of them.
func split(s string, sep byte, out []string) []string {
	if sep == ' ' {
		return strings.Fields(s)
	}
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
	if p := r.pending; p != nil {
		r.pending = nil
		return r.parse(*p)
	}
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
	if c.date >= 0 && c.date < len(f) {
		row.Time = strings.TrimSpace(f[c.date]) + " " + row.Time
	}
	v, err := c.number(row.Time)
	switch {
	case err == nil && !math.IsNaN(v):
		if c.second == 1 && math.Abs(v) > 1e11 {
			v /= 1e3 // milliseconds since 1970
			row.Time = plainSeconds(v)
		}
		row.Seconds = v * c.second
		if c.second != 1 || !json.Valid([]byte(row.Time)) {
			row.Time = plainSeconds(row.Seconds)
		}
	case !c.seconds:
		t, day, ok := parseClock(row.Time)
		if !ok {
			return row, r.fail(fmt.Sprintf("%q is no time", row.Time), `write RFC 3339, such as 2026-05-24T14:30:00Z, or seconds`)
		}
		row.Seconds = float64(t.Unix()) + float64(t.Nanosecond())/1e9
		if day {
			// A time of day alone: past midnight it begins anew.
			if row.Seconds < r.lastDay-12*3600 {
				r.days += 24 * 3600
			}
			r.lastDay = row.Seconds
			row.Seconds += r.days
			row.Time = plainSeconds(row.Seconds)
		} else {
			row.Clock = true
			if _, err := time.Parse(time.RFC3339, row.Time); err != nil {
				row.Time = t.Format(time.RFC3339Nano) // with no zone of its own, as if UTC
			}
		}
	default:
		return row, r.fail(fmt.Sprintf("%q is no number of seconds", row.Time), `write seconds such as 12.5, or call the column "time" for times of day`)
	}
	if row.Celsius, err = r.temperature(f[c.temp], c.tempIn); err != nil {
		return row, err
	}
	if !r.asked && !math.IsNaN(row.Celsius) {
		r.asked = true
		if !c.tempSaid && row.Celsius > hotterThanWax {
			return row, r.fail(fmt.Sprintf("%g can hardly be °C, and the header doesn't say", row.Celsius), `call the column "temp_f" if it is °F, "temp_c" if it is °C all the same`)
		}
	}
	if c.ambient >= 0 && c.ambient < len(f) {
		if row.Ambient, err = r.temperature(f[c.ambient], c.ambientIn); err != nil {
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

func plainSeconds(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
}

// hotterThanWax is a temperature that no wax is melted at, °C: in a column that
// doesn't name its unit it will be °F.
const hotterThanWax = 125.0

// parseClock reads a date and time, or a time of day alone.
func parseClock(s string) (t time.Time, day, ok bool) {
	for _, layout := range [...]string{
		time.RFC3339Nano, "2006-01-02 15:04:05.999999999Z07:00", "2006-01-02T15:04:05.999999999", "2006-01-02 15:04:05.999999999",
		"2006-01-02 15:04", "2006/1/2 15:04:05.999999999", "2.1.2006 15:04:05.999999999",
		// Which is day and which month matters only over midnight.
		"1/2/2006 15:04:05.999999999", "2/1/2006 15:04:05.999999999", "1/2/2006 3:04:05 PM", "2/1/2006 3:04:05 PM",
	} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, false, true
		}
	}
	for _, layout := range [...]string{"15:04:05.999999999", "15:04", "3:04:05 PM", "3:04 PM"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.AddDate(1970, 0, 0), true, true
		}
	}
	return time.Time{}, false, false
}

func (r *Reader) temperature(s string, in scale) (float64, error) {
	s = strings.TrimSpace(s)
	switch strings.ToLower(s) {
	case "", "nan", "na", "n/a", "null", "none", "-", "--":
		return math.NaN(), nil
	}
	v, err := r.cols.number(s)
	if err != nil {
		return 0, r.fail(fmt.Sprintf("%q is no temperature", s), "write a plain number such as 57.2, or leave it empty where there was no reading")
	}
	return in.celsius(v), nil
}
