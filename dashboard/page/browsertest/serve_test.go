package browsertest

import (
	"net/http"
	"os"
	"strconv"
	"strings"
	"testing"
)

// TestServeScenes serves the page against made-up scenes, one port each, until
// it is stopped: MELTSTATION_SCENES=9300 go test -run ServeScenes -timeout 0
// The files come from the disk, so that a change shows on reload.
func TestServeScenes(t *testing.T) {
	from, err := strconv.Atoi(os.Getenv("MELTSTATION_SCENES"))
	if err != nil {
		t.Skip("MELTSTATION_SCENES is not set to a port")
	}
	scenes := strings.Fields("melting scent stirring cooling window setting curing idle alarm cue asked suspect early wont long two three none cold dead day")
	for i, scene := range scenes {
		addr := "127.0.0.1:" + strconv.Itoa(from+i)
		t.Log("http://"+addr+"/", scene)
		go http.ListenAndServe(addr, newFake(os.DirFS("../static"), scene))
	}
	select {}
}
