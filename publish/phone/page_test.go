package phone

import (
	"compress/gzip"
	"io"
	"io/fs"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
)

// The page is small, and needs nothing but itself.
func TestThePage(t *testing.T) {
	r := newRig(t)
	total, sent := 0, 0
	entries, err := fs.ReadDir(pageFiles, "page")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		f := r.page["/"+e.Name()]
		if f.kind == "" {
			t.Errorf("%s has no kind", e.Name())
		}
		total += len(f.plain)
		q := request("GET", "/"+e.Name(), nil, "")
		q.Header.Set("Accept-Encoding", "gzip, br")
		w := httptest.NewRecorder()
		r.ServeHTTP(w, q)
		sent += w.Body.Len()
		body := io.Reader(w.Body)
		if w.Header().Get("Content-Encoding") == "gzip" {
			if body, err = gzip.NewReader(w.Body); err != nil {
				t.Fatal(err)
			}
		}
		if text, err := io.ReadAll(body); err != nil || string(text) != string(f.plain) || w.Header().Get("Content-Type") != f.kind {
			t.Errorf("%s: %v, %v", e.Name(), err, w.Header())
		}
		q.Header.Set("If-None-Match", w.Header().Get("ETag"))
		again := httptest.NewRecorder()
		r.ServeHTTP(again, q)
		if again.Code != 304 || again.Body.Len() > 0 {
			t.Errorf("%s asked again: status %d", e.Name(), again.Code)
		}
	}
	t.Logf("%d files, %d bytes, %d as sent", len(entries), total, sent)
	if total >= 100_000 {
		t.Errorf("%d bytes are too many", total)
	}
	index := string(r.page["/"].plain)
	if !strings.Contains(index, "<html") || regexp.MustCompile(`(?i)<script(?:[^>]*)>[^<]|<style|\son[a-z]+=|style=|javascript:`).MatchString(index) {
		t.Error("the page has script or style within, which the policy forbids")
	}
	for name, f := range r.page {
		if m := regexp.MustCompile(`(?i)(?:src|href|url|fetch|import)\s*[=(]?\s*["'(]\s*(?:https?:)?//[a-z]`).FindString(string(f.plain)); m != "" {
			t.Errorf("%s reaches outside: %s", name, m)
		}
	}
}

// What the worker keeps is what there is.
func TestTheWorkerKeepsThePage(t *testing.T) {
	r := newRig(t)
	worker := string(r.page["/worker.js"].plain)
	for name := range r.page {
		if name != "/worker.js" && name != "/index.html" && !strings.Contains(worker, "'"+name+"'") {
			t.Errorf("worker.js does not keep %s", name)
		}
	}
}
