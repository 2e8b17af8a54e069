package replay

import (
	"encoding/json"
	"math"
	"strconv"
)

// AppendJSON appends the step as one JSON object:
//
//	{"time":"…","temp_c":n,"forecast":{"status":"…","eta_s":n,"lo_s":n,"hi_s":n,"level":0.9,"p_reach":n}}
//
// time is what the file said; eta_s, lo_s and hi_s count from this reading and
// are null when there is none, hi_s also when it is open-ended.
func (s Step) AppendJSON(b []byte) []byte {
	b = append(b, `{"time":`...)
	if !s.Clock && json.Valid([]byte(s.Time)) {
		b = append(b, s.Time...)
	} else if !s.Clock {
		b = number(b, s.Seconds, 6)
	} else {
		q, _ := json.Marshal(s.Time)
		b = append(b, q...)
	}
	b = append(b, `,"temp_c":`...)
	b = number(b, s.Celsius, 4)
	f := s.Forecast
	b = append(b, `,"forecast":{"status":"`...)
	b = append(b, f.Status...)
	b = append(b, `","eta_s":`...)
	b = number(b, f.Eta, 2)
	b = append(b, `,"lo_s":`...)
	b = number(b, f.Lo, 2)
	b = append(b, `,"hi_s":`...)
	b = number(b, f.Hi, 2)
	b = append(b, `,"level":`...)
	b = number(b, f.Level, 4)
	b = append(b, `,"p_reach":`...)
	b = number(b, f.PReach, 4)
	if f.Reason != "" {
		q, _ := json.Marshal(f.Reason)
		b = append(b, `,"reason":`...)
		b = append(b, q...)
	}
	return append(b, "}}"...)
}

// number appends v to so many decimals, or null.
func number(b []byte, v float64, decimals int) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "null"...)
	}
	p := math.Pow(10, float64(decimals))
	if math.Abs(v) < 1e12 {
		v = math.Round(v*p) / p
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}
