// Package page holds the maker's page: plain HTML, style sheets and ES modules,
// embedded in the program as they are. There is no build step and nothing is
// fetched from another host.
package page

import (
	"embed"
	"io/fs"
)

//go:embed static
var files embed.FS

// FS returns the page's files, index.html at its root. They are to be served
// from the root of the site, and compress well.
func FS() fs.FS {
	sub, err := fs.Sub(files, "static")
	if err != nil { // only a malformed path can make it fail, and this one is constant
		return files
	}
	return sub
}
