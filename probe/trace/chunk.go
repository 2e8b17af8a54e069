package trace

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"example.org/meltstation/probe"
)

// A chunk is a few seconds of readings of every probe, packed:
//
//	byte     format, 1
//	uvarint  how many columns
//	columns  one per channel: uvarint channel number, uvarint length, body
//	4 bytes  CRC-32C (Castagnoli) of all before it, little-endian
//
// A column's body is an uvarint count, then for each reading
//
//	uvarint  seq, less the one before (the first: less the chunk's first)
//	varint   station time, ns: the change of its step (the first: the time itself)
//	varint   wall time less station time, ns: its change
//	byte     how Celsius (bits 0–2) and Raw (bits 3–5) are written; bit 6: the
//	         quality follows, else it is the one before (the first: good)
//	         quality: a byte of the table below, or 255, uvarint length, text
//	         Celsius, Raw
//
// Arithmetic on times wraps, so that every int64 comes back as it was. A
// temperature is written as its change in ten-thousandths of a degree where that
// gives back the same float64, else as the float64 itself: what is read is what
// was written, to the last bit, but for the payload of a NaN.
const chunkFormat = 1

// How a temperature is written.
const (
	valueSame    = iota // as the one before in this column (the first: 0)
	valueNone           // NaN
	valueDecimal        // varint: ten-thousandths, less those of the last decimal
	valueFloat          // 8 bytes, little-endian
	valueCelsius        // Raw only: as Celsius
)

const (
	qualityFollows = 1 << 6
	qualityText    = 255
)

// The numbers of the qualities on disk. Only ever add at the end.
var qualityTable = []probe.Quality{
	probe.Good, probe.BadCRC, probe.PowerOnReset, probe.OutOfRange, probe.ImpossibleRate, probe.Stuck,
	probe.OpenCircuit, probe.Shorted, probe.Stale, probe.NoDevice, probe.Garbled, "",
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// errChunk is a chunk that does not decode.
var errChunk = errors.New("damaged readings")

// reading is one reading as the spool and a chunk hold it.
type reading struct {
	seq          int64
	at           time.Duration
	wall         int64 // ns since 1970, UTC
	celsius, raw float64
	quality      probe.Quality
}

// column is the readings of one channel, in order.
type column struct {
	channel int64
	rows    []reading
}

// encodeChunk packs columns whose first reading of all has number first.
func encodeChunk(first int64, columns []column) []byte {
	out := []byte{chunkFormat}
	out = binary.AppendUvarint(out, uint64(len(columns)))
	var body []byte
	for _, c := range columns {
		body = encodeColumn(body[:0], first, c.rows)
		out = binary.AppendUvarint(out, uint64(c.channel))
		out = binary.AppendUvarint(out, uint64(len(body)))
		out = append(out, body...)
	}
	return binary.LittleEndian.AppendUint32(out, crc32.Checksum(out, castagnoli))
}

// packer is what one reading of a column leaves for the next.
type packer struct {
	seq              int64
	at, step, offset int64
	quality          probe.Quality
	celsius, raw     float64
	dCelsius, dRaw   int64 // last decimals
}

func newPacker(first int64) packer { return packer{seq: first, quality: probe.Good} }

func encodeColumn(out []byte, first int64, rows []reading) []byte {
	out = binary.AppendUvarint(out, uint64(len(rows)))
	p := newPacker(first)
	for _, r := range rows {
		out = binary.AppendUvarint(out, uint64(r.seq-p.seq))
		step := int64(r.at) - p.at
		out = binary.AppendVarint(out, step-p.step)
		offset := r.wall - int64(r.at)
		out = binary.AppendVarint(out, offset-p.offset)
		if p.at == 0 && p.step == 0 {
			step = 0 // the first time is no step
		}
		p.seq, p.at, p.step, p.offset = r.seq, int64(r.at), step, offset

		how, dec := p.how(r.celsius, p.celsius)
		howRaw, decRaw := p.how(r.raw, p.raw)
		if howRaw != valueSame && howRaw != valueNone && same(r.raw, r.celsius) {
			howRaw = valueCelsius
		}
		flags := byte(how) | byte(howRaw)<<3
		if r.quality != p.quality {
			flags |= qualityFollows
		}
		out = append(out, flags)
		if r.quality != p.quality {
			out = appendQuality(out, r.quality)
			p.quality = r.quality
		}
		out = appendValue(out, how, r.celsius, dec-p.dCelsius)
		if how == valueDecimal {
			p.dCelsius = dec
		}
		out = appendValue(out, howRaw, r.raw, decRaw-p.dRaw)
		if howRaw == valueDecimal {
			p.dRaw = decRaw
		}
		if how != valueNone {
			p.celsius = r.celsius
		}
		if howRaw != valueNone {
			p.raw = r.raw
		}
	}
	return out
}

// how chooses the shortest way that gives v back to the bit.
func (packer) how(v, before float64) (how int, decimal int64) {
	if math.IsNaN(v) {
		return valueNone, 0
	}
	if same(v, before) {
		return valueSame, 0
	}
	if d := math.Round(v * 1e4); math.Abs(d) < 1<<40 && same(float64(int64(d))/1e4, v) {
		return valueDecimal, int64(d)
	}
	return valueFloat, 0
}

func same(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

func appendValue(out []byte, how int, v float64, change int64) []byte {
	switch how {
	case valueDecimal:
		return binary.AppendVarint(out, change)
	case valueFloat:
		return binary.LittleEndian.AppendUint64(out, math.Float64bits(v))
	}
	return out
}

func appendQuality(out []byte, q probe.Quality) []byte {
	for i, known := range qualityTable {
		if q == known {
			return append(out, byte(i))
		}
	}
	out = append(out, qualityText)
	out = binary.AppendUvarint(out, uint64(len(q)))
	return append(out, q...)
}

// decodeChunk calls fn for every reading of the channels want accepts, one
// channel after another. Any bytes at all give readings or an error.
func decodeChunk(first int64, data []byte, want func(channel int64) bool, fn func(channel int64, r reading)) error {
	if len(data) < 6 {
		return fmt.Errorf("%w: %d bytes are too few", errChunk, len(data))
	}
	body, sum := data[:len(data)-4], binary.LittleEndian.Uint32(data[len(data)-4:])
	if crc32.Checksum(body, castagnoli) != sum {
		return fmt.Errorf("%w: checksum does not match", errChunk)
	}
	if body[0] != chunkFormat {
		return fmt.Errorf("%w: format %d is not known", errChunk, body[0])
	}
	u := unpacker{b: body[1:]}
	for n := u.uvarint(); n > 0 && !u.bad; n-- {
		channel := int64(u.uvarint())
		col := u.take(u.uvarint())
		if u.bad || !want(channel) {
			continue
		}
		if err := decodeColumn(first, col, func(r reading) { fn(channel, r) }); err != nil {
			return err
		}
	}
	if u.bad || len(u.b) != 0 {
		return fmt.Errorf("%w: its length is wrong", errChunk)
	}
	return nil
}

func decodeColumn(first int64, body []byte, fn func(reading)) error {
	u := unpacker{b: body}
	p := newPacker(first)
	for n := u.uvarint(); n > 0 && !u.bad; n-- {
		var r reading
		r.seq = p.seq + int64(u.uvarint())
		step := p.step + u.varint()
		r.at = time.Duration(p.at + step)
		offset := p.offset + u.varint()
		r.wall = int64(r.at) + offset
		if p.at == 0 && p.step == 0 {
			step = 0
		}
		p.seq, p.at, p.step, p.offset = r.seq, int64(r.at), step, offset

		flags := u.byte()
		if flags&qualityFollows != 0 {
			p.quality = u.quality()
		}
		r.quality = p.quality
		how, howRaw := int(flags&7), int(flags>>3&7)
		r.celsius = u.value(how, p.celsius, &p.dCelsius)
		if howRaw == valueCelsius {
			r.raw = r.celsius
		} else {
			r.raw = u.value(howRaw, p.raw, &p.dRaw)
		}
		if how != valueNone {
			p.celsius = r.celsius
		}
		if howRaw != valueNone {
			p.raw = r.raw
		}
		if !u.bad {
			fn(r)
		}
	}
	if u.bad || len(u.b) != 0 {
		return fmt.Errorf("%w: a column's length is wrong", errChunk)
	}
	return nil
}

// unpacker reads from b and remembers when that went wrong.
type unpacker struct {
	b   []byte
	bad bool
}

func (u *unpacker) fail() { u.bad, u.b = true, nil }

func (u *unpacker) uvarint() uint64 {
	v, n := binary.Uvarint(u.b)
	if n <= 0 {
		u.fail()
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) varint() int64 {
	v, n := binary.Varint(u.b)
	if n <= 0 {
		u.fail()
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) byte() byte {
	if len(u.b) == 0 {
		u.fail()
		return 0
	}
	v := u.b[0]
	u.b = u.b[1:]
	return v
}

func (u *unpacker) take(n uint64) []byte {
	if n > uint64(len(u.b)) {
		u.fail()
		return nil
	}
	v := u.b[:n]
	u.b = u.b[n:]
	return v
}

func (u *unpacker) quality() probe.Quality {
	i := u.byte()
	if i == qualityText {
		return probe.Quality(u.take(u.uvarint()))
	}
	if int(i) >= len(qualityTable) {
		u.fail()
		return ""
	}
	return qualityTable[i]
}

func (u *unpacker) value(how int, before float64, decimal *int64) float64 {
	switch how {
	case valueSame:
		return before
	case valueNone:
		return math.NaN()
	case valueDecimal:
		*decimal += u.varint()
		return float64(*decimal) / 1e4
	case valueFloat:
		if b := u.take(8); b != nil {
			return math.Float64frombits(binary.LittleEndian.Uint64(b))
		}
		return 0
	}
	u.fail()
	return 0
}
