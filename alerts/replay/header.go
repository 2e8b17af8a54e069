package replay

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// columns says where in a line what is. An index of -1 is none.
type columns struct {
	n                    int
	time, date, temp     int
	ambient, event       int
	quality, role        int
	station, data        int
	sep                  byte // ' ' for any run of blanks
	comma                bool // decimals are written with a comma
	seconds              bool // the time column holds numbers alone
	second               float64
	tempIn, ambientIn    scale
	tempSaid, headerless bool
}

// scale is the unit of a column of temperatures.
type scale int8

const (
	celsius scale = iota
	fahrenheit
	kelvin
)

func (u scale) celsius(v float64) float64 {
	switch u {
	case fahrenheit:
		return (v - 32) / 1.8
	case kelvin:
		return v - 273.15
	}
	return v
}

// separator is what stands between the fields of the first line.
func separator(line string) byte {
	switch {
	case strings.Contains(line, ";"):
		return ';'
	case strings.Contains(line, "\t"):
		return '\t'
	case strings.Contains(line, ","):
		return ','
	}
	return ' '
}

// words cuts a column's name into lower-case words: "Temp (°F)" is temp and f.
func words(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// meaning is what a column's name says it holds.
type meaning struct {
	kind   string  // time, date, temp, ambient; another's own name; "" for what is left aside
	exact  bool    // spelt as this program itself spells it
	second float64 // s in one unit of the time column, 0 when the name doesn't say
	in     scale
	said   bool // the name says the scale
}

// mean reads a column's name. The names that the program itself writes come
// first; other common ones are understood after them.
func mean(name string) meaning {
	name = strings.TrimSpace(name)
	switch key := strings.ToLower(name); key {
	case "time":
		return meaning{kind: "time", exact: true}
	case "time_s", "seconds":
		return meaning{kind: "time", exact: true, second: 1}
	case "temp_c":
		return meaning{kind: "temp", exact: true, said: true}
	case "temp_f":
		return meaning{kind: "temp", exact: true, in: fahrenheit, said: true}
	case "ambient_c":
		return meaning{kind: "ambient", exact: true, said: true}
	case "ambient_f":
		return meaning{kind: "ambient", exact: true, in: fahrenheit, said: true}
	case "event", "quality", "role", "station_s", "data":
		return meaning{kind: key, exact: true}
	}
	switch name {
	case "t":
		return meaning{kind: "time"}
	case "T":
		return meaning{kind: "temp"}
	}
	var m meaning
	for _, w := range words(name) {
		switch strings.TrimRight(w, "0123456789") {
		case "time", "timestamp", "datetime", "elapsed", "clock":
			m.kind = "time"
		case "date":
			if m.kind == "" {
				m.kind = "date"
			}
		case "s", "sec", "secs", "second", "seconds":
			m.second = 1
		case "ms", "millis", "milliseconds":
			m.second = 1e-3
		case "min", "mins", "minute", "minutes":
			m.second = 60
		case "h", "hr", "hrs", "hour", "hours":
			m.second = 3600
		case "temp", "temperature", "wax", "pot", "probe", "reading":
			if m.kind == "" {
				m.kind = "temp"
			}
		case "ambient", "room", "air":
			m.kind = "ambient"
		case "c", "celsius", "degc", "centigrade":
			m.said = true
		case "f", "fahrenheit", "degf":
			m.in, m.said = fahrenheit, true
		case "k", "kelvin", "degk":
			m.in, m.said = kelvin, true
		case "bath", "water", "target", "setpoint", "limit", "minimum", "max", "maximum", "id", "number", "no", "count":
			return meaning{}
		}
	}
	switch {
	case m.kind == "" && m.said:
		m.kind = "temp" // "celsius"
	case m.kind == "" && m.second > 0:
		m.kind = "time" // "minutes"
	case m.kind == "temp" && (m.second == 60 || m.second > 0 && !m.said): // "min" may be the least of them
		return meaning{}
	}
	return m
}

// readHeader finds the columns in a file's first line.
func (r *Reader) readHeader(head string) (columns, error) {
	c := columns{time: -1, date: -1, temp: -1, ambient: -1, event: -1, quality: -1, role: -1, station: -1, data: -1, second: 1}
	c.sep = separator(head)
	c.comma = c.sep == ';' || c.sep == '\t'
	fields := split(head, c.sep, nil)
	c.n = len(fields)
	if c.n >= 2 && c.numbers(fields) {
		c.headerless = true
		c.time, c.temp = 0, 1
		r.note("there is no header line: the first column is taken as the time in seconds or as a clock's, the second as °C")
		return c, nil
	}
	var time, temp, ambient meaning
	for i, f := range fields {
		m := mean(f)
		switch m.kind {
		case "time":
			if c.time < 0 || m.exact && !time.exact || m.exact && m.second == 0 && time.second > 0 {
				c.time, time = i, m
			}
		case "date":
			c.date = i
		case "temp":
			if c.temp >= 0 && m.exact && temp.exact {
				if m.in == temp.in {
					return c, r.fail(fmt.Sprintf("two columns are called %q", strings.ToLower(strings.TrimSpace(f))), "rename or remove one of them")
				}
				if m.in == fahrenheit { // both units: the Celsius one is taken
					continue
				}
			} else if c.temp >= 0 && !m.exact {
				continue
			}
			c.temp, temp = i, m
		case "ambient":
			if c.ambient < 0 || m.in == celsius {
				c.ambient, ambient = i, m
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
	if c.time < 0 && c.date >= 0 {
		c.time, c.date = c.date, -1
	}
	if c.time < 0 {
		return c, r.fail("the header line has no time column", `call it "time" (RFC 3339) or "time_s" (seconds)`)
	}
	if c.temp < 0 {
		return c, r.fail("the header line has no temperature column", `call it "temp_c" or "temp_f"`)
	}
	if time.second > 0 {
		c.second, c.seconds = time.second, true
	}
	c.tempIn, c.tempSaid, c.ambientIn = temp.in, temp.said, ambient.in
	if !ambient.said && c.ambient >= 0 {
		c.ambientIn = c.tempIn
	}
	if !time.exact || !temp.exact {
		unit := map[scale]string{celsius: "°C", fahrenheit: "°F", kelvin: "kelvin"}[c.tempIn]
		r.note(fmt.Sprintf("the time is taken from the column %q, the temperature from %q in %s", strings.TrimSpace(fields[c.time]), strings.TrimSpace(fields[c.temp]), unit))
	}
	return c, nil
}

// numbers reports whether a first line is a reading and no header.
func (c *columns) numbers(fields []string) bool {
	if _, err := c.number(fields[1]); err != nil {
		return false
	}
	at := strings.TrimSpace(fields[0])
	if _, err := c.number(at); err == nil {
		return true
	}
	_, _, ok := parseClock(at)
	return ok
}

// number reads a number as this file writes them.
func (c *columns) number(s string) (float64, error) {
	s = strings.TrimSpace(s)
	if c.comma && strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err == nil && math.IsInf(v, 0) {
		err = strconv.ErrRange
	}
	return v, err
}
