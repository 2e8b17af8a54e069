package page

import "fmt"

// Library is a library that the page carries, as its author published it.
type Library struct {
	Name, Version, Licence string // Licence is its whole text
}

// Vendored lists the libraries in the page.
func Vendored() ([]Library, error) {
	text, err := files.ReadFile("static/vendor/uPlot.LICENSE.txt")
	if err != nil {
		return nil, fmt.Errorf("reading the chart library's licence: %w", err)
	}
	return []Library{{Name: "uPlot (chart on the page)", Version: "1.6.32", Licence: string(text)}}, nil
}
