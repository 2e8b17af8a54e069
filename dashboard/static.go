package dashboard

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strconv"
	"strings"
)

// asset is one file of the page, ready to be sent.
type asset struct {
	kind   string // media type
	etag   string
	plain  []byte
	packed []byte // gzip; nil when that is no shorter
}

// mediaTypes are the kinds of file a page is made of. The machine's own table is
// not asked: it differs from one to the next, and nosniff makes a wrong one fatal.
var mediaTypes = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8",
	".js": "text/javascript; charset=utf-8", ".mjs": "text/javascript; charset=utf-8",
	".json": "application/json", ".webmanifest": "application/manifest+json",
	".svg": "image/svg+xml", ".png": "image/png", ".ico": "image/x-icon", ".webp": "image/webp",
	".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8", ".md": "text/plain; charset=utf-8",
	".mp3": "audio/mpeg", ".wav": "audio/wav", ".ogg": "audio/ogg",
}

// loadAssets reads and compresses every file of the page, once.
func loadAssets(files fs.FS) (map[string]asset, error) {
	all := make(map[string]asset)
	if files == nil {
		return all, nil
	}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		kind := mediaTypes[path.Ext(name)]
		if kind == "" {
			if kind = mime.TypeByExtension(path.Ext(name)); kind == "" {
				kind = "application/octet-stream"
			}
		}
		sum := sha256.Sum256(b)
		a := asset{kind: kind, plain: b, etag: base64.RawURLEncoding.EncodeToString(sum[:12])}
		var packed bytes.Buffer
		z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		if err != nil {
			return err
		}
		z.Write(b)
		if err := z.Close(); err != nil {
			return err
		}
		if packed.Len() < len(b)*9/10 {
			a.packed = packed.Bytes()
		}
		all[name] = a
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading the page's files: %w", err)
	}
	return all, nil
}

// static serves the page's files, and index.html for every view of the page.
func (s *Server) static(w http.ResponseWriter, r *http.Request) error {
	name := strings.TrimPrefix(path.Clean("/"+r.URL.Path), "/")
	a, ok := s.assets[name]
	if !ok {
		if path.Ext(name) != "" {
			return problemNotFound.with("There is nothing at " + quote(r.URL.Path) + ".")
		}
		if a, ok = s.assets["index.html"]; !ok {
			return problemUnavailable.with("This build has no page in it.")
		}
	}
	serveAsset(w, r, a)
	return nil
}

// pairPage serves the page where a code is typed.
func (s *Server) pairPage(w http.ResponseWriter, r *http.Request) error {
	a, ok := s.assets["pair.html"]
	if !ok {
		return problemUnavailable.with("This build has no pairing page in it.")
	}
	serveAsset(w, r, a)
	return nil
}

func serveAsset(w http.ResponseWriter, r *http.Request, a asset) {
	h := w.Header()
	body, etag := a.plain, `"`+a.etag+`"`
	if a.packed != nil {
		h.Add("Vary", "Accept-Encoding")
		if acceptsGzip(r.Header.Get("Accept-Encoding")) {
			body, etag = a.packed, `"`+a.etag+`-gzip"`
			h.Set("Content-Encoding", "gzip")
		}
	}
	h.Set("Content-Type", a.kind)
	h.Set("ETag", etag)
	h.Set("Cache-Control", "no-cache")
	if matches(r.Header.Get("If-None-Match"), etag) {
		h.Del("Content-Encoding")
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(http.StatusOK)
	if r.Method != http.MethodHead {
		w.Write(body)
	}
}

// acceptsGzip reads an Accept-Encoding header (RFC 9110, section 12.5.3).
func acceptsGzip(header string) bool {
	any := false
	for part := range strings.SplitSeq(header, ",") {
		coding, param, _ := strings.Cut(part, ";")
		coding = strings.ToLower(strings.TrimSpace(coding))
		if coding != "gzip" && coding != "*" {
			continue
		}
		q := 1.0
		if k, v, ok := strings.Cut(strings.TrimSpace(param), "="); ok && strings.EqualFold(strings.TrimSpace(k), "q") {
			var err error
			if q, err = strconv.ParseFloat(strings.TrimSpace(v), 64); err != nil {
				q = 0
			}
		}
		if coding == "gzip" {
			return q > 0
		}
		any = q > 0
	}
	return any
}

// matches reads an If-None-Match header (RFC 9110, section 13.1.2: weak comparison).
func matches(header, etag string) bool {
	for part := range strings.SplitSeq(header, ",") {
		if part = strings.TrimPrefix(strings.TrimSpace(part), "W/"); part == etag || part == "*" {
			return true
		}
	}
	return false
}
