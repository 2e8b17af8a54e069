package dashboard

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"unicode/utf8"
)

// Limits of a request's body.
const (
	maxBody     = 64 << 10
	maxBigBody  = 1 << 20 // recipes and sheets
	maxNesting  = 32      // of arrays and objects
	maxText     = 4000    // bytes of any free text
	maxShort    = 200     // bytes of a name
	maxIDLength = 64
)

// readJSON decodes the body of r into v, strictly: JSON by its type, within
// limit bytes, valid UTF-8, one value, not nested beyond maxNesting, and no field
// that v does not know. Its error is a *problem.
func readJSON(w http.ResponseWriter, r *http.Request, limit int64, v any) error {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/json" {
		return problemBadType.with(fmt.Sprintf("The body came as %q.", clip(r.Header.Get("Content-Type"), 100)))
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, limit))
	if err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return problemTooLarge.with(fmt.Sprintf("At most %d bytes are taken here.", limit))
		}
		return problemBadRequest.with("The body broke off.")
	}
	return decodeStrict(body, v)
}

// decodeStrict is readJSON for a body already in memory.
func decodeStrict(body []byte, v any) error {
	switch {
	case !utf8.Valid(body):
		return problemBadRequest.with("The body is not UTF-8 text.")
	case nesting(body) > maxNesting:
		return problemBadRequest.with(fmt.Sprintf("The body is nested more than %d deep.", maxNesting))
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return problemBadRequest.with(jsonFault(err))
	}
	if _, err := d.Token(); err != io.EOF {
		return problemBadRequest.with("Something follows the JSON value.")
	}
	return nil
}

// jsonFault says in plain words what is wrong with a body.
func jsonFault(err error) string {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "The body is empty or breaks off."
	case errors.As(err, &syntax):
		return fmt.Sprintf("Not JSON at byte %d.", syntax.Offset)
	case errors.As(err, &kind):
		return fmt.Sprintf("The field %q can't hold a JSON %s.", clip(kind.Field, 100), clip(kind.Value, 40))
	default:
		return "The body can't be used: " + clip(strings.TrimPrefix(err.Error(), "json: "), 200) + "."
	}
}

// nesting returns how deep the arrays and objects of a JSON text go. Of a text
// that is not JSON it returns some number.
func nesting(b []byte) int {
	depth, most, quoted := 0, 0, false
	for i := 0; i < len(b); i++ {
		switch c := b[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '{' || c == '[':
			depth++
			most = max(most, depth)
		case c == '}' || c == ']':
			depth--
		}
	}
	return most
}

// clip shortens s to at most n bytes, at the edge of a character.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}

// okID reports whether s can be an id that a page made.
func okID(s string) bool {
	if len(s) < 8 || len(s) > maxIDLength {
		return false
	}
	for _, c := range []byte(s) {
		switch {
		case 'A' <= c && c <= 'Z', 'a' <= c && c <= 'z', '0' <= c && c <= '9', c == '-', c == '_':
		default:
			return false
		}
	}
	return true
}

// okName reports whether s can be a pot, a key, a batch code or a file name:
// 1 to n bytes of UTF-8 without control characters or slashes.
func okName(s string, n int) bool {
	if s == "" || len(s) > n || !utf8.ValidString(s) || s == "." || s == ".." {
		return false
	}
	return !strings.ContainsFunc(s, func(c rune) bool { return c < ' ' || c == 0x7f || c == '/' || c == '\\' })
}

// writeJSON answers with v.
func writeJSON(w http.ResponseWriter, status int, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encoding the answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(append(body, '\n'))
	return nil
}
