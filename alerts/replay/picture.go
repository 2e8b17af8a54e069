package replay

import "io"

// Picture draws the curve and what was forecast at several moments, as SVG.
func Picture(w io.Writer, name string, in io.Reader, opt Options, fahrenheit bool) (cut int, err error) {
	return Summary(w, name, in, opt, fahrenheit)
}
