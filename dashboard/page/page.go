// Package page holds the maker's page: plain HTML, style sheets and ES modules,
// embedded in the program as they are. There is no build step and nothing is
// fetched from another host.
//
// Below static/, index.html is the page and pair.html the one where a pairing
// code is typed. js/app.js starts it and knows the views; each view is a module
// below js/views with one function that mounts it and gives back how to update
// and leave it. What the station says goes into js/store.js through the pure
// js/state.js; nothing else holds state of the station. Words are in
// js/strings.en.js alone, numbers become words in js/format.js and
// js/outlook.js, and those, like everything without a document, are tested by
// node's test runner (test/). vendor/ holds the chart library with its licence.
//
// To work on it without a station, package browsertest serves every state of it
// from the disk: MELTSTATION_SCENES=9300 go test -run ServeScenes -timeout 0
// ./dashboard/page/browsertest.
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
