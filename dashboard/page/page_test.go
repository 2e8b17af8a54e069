package page_test

import (
	"bytes"
	"compress/gzip"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"example.org/meltstation/dashboard/page"
)

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := fs.ReadFile(page.FS(), name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func names(t *testing.T) []string {
	t.Helper()
	var all []string
	err := fs.WalkDir(page.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			all = append(all, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// The whole page, compressed as it is sent, stays light enough for a phone at
// the edge of the kitchen's network.
func TestWeight(t *testing.T) {
	const most = 150 << 10
	total := 0
	for _, name := range names(t) {
		if ext := path.Ext(name); ext == ".md" || ext == ".txt" {
			continue // licences: never loaded by the page
		}
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write([]byte(read(t, name)))
		z.Close()
		size := b.Len()
		if path.Ext(name) == ".png" {
			size = len(read(t, name))
		}
		total += size
	}
	t.Logf("the page weighs %.1f KiB compressed", float64(total)/1024)
	if total > most {
		t.Errorf("the page weighs %d bytes compressed, want at most %d", total, most)
	}
}

// The content security policy allows no inline script or style, and nothing
// from another host.
func TestNothingInlineNothingForeign(t *testing.T) {
	inline := regexp.MustCompile(`(?i)<script(?:\s[^>]*)?>[^<]|<style|\sstyle=|\son[a-z]+=|javascript:`)
	foreign := regexp.MustCompile(`(?i)(?:src|href|url\(|import|from|fetch\()\s*[=(]?\s*["'(]?\s*(?:https?:)?//[a-z]`)
	for _, name := range names(t) {
		switch path.Ext(name) {
		case ".html":
			if m := inline.FindString(read(t, name)); m != "" {
				t.Errorf("%s has %q inline", name, m)
			}
			fallthrough
		case ".css", ".js", ".webmanifest":
			if strings.HasPrefix(name, "vendor/") {
				continue
			}
			if m := foreign.FindString(read(t, name)); m != "" {
				t.Errorf("%s refers to another host: %q", name, m)
			}
		}
	}
}

// What index.html loads ahead are exactly the modules that the first view needs,
// so that they come in one round instead of one after another.
func TestModulePreload(t *testing.T) {
	var ahead []string
	for _, m := range regexp.MustCompile(`modulepreload" href="/([^"]+)"`).FindAllStringSubmatch(read(t, "index.html"), -1) {
		ahead = append(ahead, m[1])
	}
	static := regexp.MustCompile(`(?m)^import\b[^;]*?'(\.[^']+)';`)
	var need []string
	var walk func(name string)
	walk = func(name string) {
		if slices.Contains(need, name) {
			return
		}
		need = append(need, name)
		for _, m := range static.FindAllStringSubmatch(read(t, name), -1) {
			walk(path.Join(path.Dir(name), m[1]))
		}
	}
	walk("js/app.js")
	slices.Sort(need)
	slices.Sort(ahead)
	if !slices.Equal(ahead, need) {
		t.Errorf("index.html loads ahead\n%s\nwant\n%s", strings.Join(ahead, "\n"), strings.Join(need, "\n"))
	}
}

// Every file that the page names is there.
func TestFilesNamedAreThere(t *testing.T) {
	all := names(t)
	for _, name := range all {
		if ext := path.Ext(name); ext != ".html" && ext != ".webmanifest" && ext != ".js" || strings.HasPrefix(name, "vendor/") {
			continue
		}
		src := read(t, name)
		for _, m := range regexp.MustCompile(`["'](/[\w./-]+\.(?:js|css|svg|png|webmanifest))["']`).FindAllStringSubmatch(src, -1) {
			if f := strings.TrimPrefix(m[1], "/"); !slices.Contains(all, f) && !strings.HasPrefix(f, "api/") {
				t.Errorf("%s names %s, which is not there", name, m[1])
			}
		}
		for _, m := range regexp.MustCompile(`(?:from|import)\s*\(?'(\.[^']+)'`).FindAllStringSubmatch(src, -1) {
			if f := path.Join(path.Dir(name), m[1]); !slices.Contains(all, f) {
				t.Errorf("%s imports %s, which is not there", name, m[1])
			}
		}
	}
}

// The vendored library is the one its note says, with its licence beside it.
func TestVendored(t *testing.T) {
	if !strings.Contains(read(t, "vendor/uPlot.iife.min.js")[:200], "v1.6.32") {
		t.Error("vendor/uPlot.iife.min.js is not version 1.6.32")
	}
	if !strings.Contains(read(t, "vendor/uPlot.LICENSE.txt"), "MIT License") {
		t.Error("vendor/uPlot.LICENSE.txt is not the MIT licence")
	}
}

// Contrast of text on whatever may lie under it, in both themes: WCAG 2.2,
// 1.4.3 (4.5 to 1), formula of its relative luminance.
func TestContrast(t *testing.T) {
	css := read(t, "css/base.css")
	themes := regexp.MustCompile(`(?s):root(?:\[data-theme="dark"\])? \{(.*?)\}`).FindAllStringSubmatch(css, -1)
	if len(themes) < 2 {
		t.Fatalf("%d themes found, want 2", len(themes))
	}
	for i, theme := range []string{themes[0][1], themes[len(themes)-1][1]} {
		colour := map[string]string{}
		for _, m := range regexp.MustCompile(`--([\w-]+): (#[0-9a-f]{6})`).FindAllStringSubmatch(theme, -1) {
			colour[m[1]] = m[2]
		}
		for _, pair := range [][2]string{
			{"ink", "paper"}, {"ink", "sheet"}, {"ink", "wax"}, {"ink", "wax-2"}, {"ink", "fan"}, {"ink", "sea-2"}, {"ink", "lead-2"},
			{"soft", "paper"}, {"soft", "sheet"}, {"soft", "wax"}, {"soft", "wax-2"}, {"soft", "fan"},
			{"sea", "paper"}, {"sea", "sheet"}, {"lead", "paper"}, {"lead", "sheet"}, {"on-sea", "sea"}, {"on-lead", "lead"}, {"paper", "ink"},
		} {
			a, b := colour[pair[0]], colour[pair[1]]
			if a == "" || b == "" {
				t.Fatalf("theme %d has no --%s or --%s", i, pair[0], pair[1])
			}
			if r := ratio(a, b); r < 4.5 {
				t.Errorf("theme %d: --%s on --%s is %.2f to 1, want 4.5", i, pair[0], pair[1], r)
			}
		}
	}
}

// The logic without a document is tested by node's own test runner.
func TestLogic(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("MELTSTATION_BROWSER") == "require" {
			t.Fatal("MELTSTATION_BROWSER=require, but there is no node in PATH")
		}
		t.Skip("no node in PATH")
	}
	cmd := exec.Command(node, "--experimental-default-type=module", "--test", "test/")
	cmd.Env = append(os.Environ(), "TZ=UTC", "NODE_NO_WARNINGS=1")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
}
