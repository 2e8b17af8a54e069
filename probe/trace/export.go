package trace

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"math"
	"strconv"
	"strings"
	"time"
)

// Reader gives the entries of a batch. A [Store] is one.
type Reader interface {
	Entries(ctx context.Context, batch string, fromSeq int64) iter.Seq2[Entry, error]
}

var _ Reader = (*Store)(nil)

// csvColumns are the columns of WriteCSV. Only ever add at the end.
var csvColumns = []string{"seq", "time", "temp_c", "probe", "role", "quality", "event", "text", "notice", "data", "raw_c", "pot", "station_s"}

// csvTime is RFC 3339 in UTC to the nanosecond: no less, or a forecast made from
// the file would not be the one that was made then.
const csvTime = "2006-01-02T15:04:05.000000000Z"

// WriteCSV writes every entry of a batch as comma-separated values (RFC 4180)
// after two lines of comment: one line for each reading with its temperature in
// °C, its probe, role and quality, and one for each event and each transition of
// an alarm or cue, with what was stored of it as JSON. Numbers are written so
// that they read back as they were, to the last bit. A line of a notice has
// "notice" for its role, so that whoever looks for the pot's readings passes it
// over. text gives an event's words; it may be nil.
//
// A cell that begins as a spreadsheet's formula would is led by an apostrophe.
func WriteCSV(ctx context.Context, w io.Writer, r Reader, b Batch, text func(Entry) string) error {
	out := bufio.NewWriter(w)
	// The writer's own errors come out of the flush at the end.
	fmt.Fprintf(out, "# batch %s, %s\r\n# times are UTC, temperatures °C; one whose quality is not good is suspect\r\n", oneLine(b.ID), oneLine(b.Name))
	c := csv.NewWriter(out)
	c.UseCRLF = true
	c.Write(csvColumns)
	line := make([]string, len(csvColumns))
	for e, err := range r.Entries(ctx, b.ID, 0) {
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		clear(line)
		line[0], line[1] = strconv.FormatInt(e.Seq, 10), e.Wall.UTC().Format(csvTime)
		line[11], line[12] = cell(e.Pot), seconds(e.At)
		switch e.Kind {
		case KindReading:
			line[2], line[3], line[4], line[5] = number(e.Celsius), cell(e.Probe), cell(string(e.Role)), cell(string(e.Quality))
			if e.Quality == "" {
				line[5] = "unknown" // an empty cell would pass for good
			}
			line[10] = number(e.Raw)
		case KindEvent:
			line[6], line[9] = cell(e.Name), string(e.Data)
			if text != nil {
				line[7] = cell(text(e))
			}
		default:
			line[4], line[8], line[9] = string(KindNotice), cell(e.Name), string(e.Data)
		}
		c.Write(line)
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("writing batch %s: %w", b.ID, err)
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("writing batch %s: %w", b.ID, err)
	}
	return nil
}

// seconds is d in seconds, exactly.
func seconds(d time.Duration) string {
	s := strconv.FormatFloat(float64(d/time.Second), 'f', 0, 64)
	ns := int64(d % time.Second)
	if ns < 0 {
		ns = -ns
		if d > -time.Second {
			s = "-0"
		}
	}
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%s.%09d", s, ns), "0"), ".")
}

func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// cell keeps a spreadsheet from taking what somebody typed for a formula: text
// that begins with one of its signs is led by an apostrophe (common practice).
func cell(s string) string {
	s = oneLine(s)
	if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
		return "'" + s
	}
	return s
}

// oneLine puts any white space, and what is no text, in its place.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	return strings.Join(strings.Fields(s), " ")
}

// WriteJSON writes a batch and its entries as one JSON object: "batch", what
// record is (as "record", left out when nil) and "entries", one a line.
func WriteJSON(ctx context.Context, w io.Writer, r Reader, b Batch, record any) error {
	out := bufio.NewWriter(w)
	put := func(name string, v any) error {
		j, err := json.Marshal(v)
		if err != nil {
			return fmt.Errorf("writing batch %s: %s: %w", b.ID, name, err)
		}
		fmt.Fprintf(out, "%q: %s,\n", name, j)
		return nil
	}
	out.WriteString("{")
	if err := put("batch", b); err != nil {
		return err
	}
	if record != nil {
		if err := put("record", record); err != nil {
			return err
		}
	}
	out.WriteString(`"entries": [`)
	sep := "\n"
	for e, err := range r.Entries(ctx, b.ID, 0) {
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if e.Data != nil && !json.Valid(e.Data) {
			e.Data, _ = json.Marshal(string(e.Data)) // a string always marshals
		}
		j, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("writing batch %s, entry %d: %w", b.ID, e.Seq, err)
		}
		out.WriteString(sep)
		out.Write(j)
		sep = ",\n"
	}
	out.WriteString("\n]}\n")
	if err := out.Flush(); err != nil {
		return fmt.Errorf("writing batch %s: %w", b.ID, err)
	}
	return nil
}
