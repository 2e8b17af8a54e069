package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestCall tries two webhooks, of which one answers.
func TestCall(t *testing.T) {
	var got int
	up := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { got++ }))
	defer up.Close()
	down := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusForbidden) }))
	defer down.Close()
	file := filepath.Join(t.TempDir(), "station.toml")
	const hook = "[[webhook]]\nname = %q\nurl = %q\nsecret = \"0123456789abcdef\"\n"
	text := fmt.Sprintf(hook, "kitchen", up.URL) + fmt.Sprintf(hook, "attic", down.URL)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, bad bytes.Buffer
	code := Main(context.Background(), []string{"call", "--config", file}, Streams{Out: &out, Err: &bad})
	if code != 1 || got != 1 || !strings.Contains(out.String(), "kitchen      webhook  reached") || !strings.Contains(out.String(), "attic        webhook  failed") {
		t.Errorf("exit %d, %d calls received\n%s%s", code, got, &out, &bad)
	}
	if strings.Contains(out.String()+bad.String(), "0123456789abcdef") {
		t.Error("the secret is shown")
	}
}
