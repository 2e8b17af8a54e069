// Package replay runs a recorded curve through the forecast engine, reading by
// reading, as the daemon does with a live one.
//
// [Reader] takes comma-separated values with a header line: time (RFC 3339) or
// time_s (seconds), temp_c or temp_f, and, when there, ambient_c or ambient_f,
// event, quality and role. Lines that begin with # are comments; other columns
// are passed over. [Run] does the whole of it; [Picture] draws what came out.
package replay
