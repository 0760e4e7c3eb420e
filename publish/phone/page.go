package phone

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed page/*.html page/*.css page/*.js page/*.svg page/*.png page/*.webmanifest
var pageFiles embed.FS

// file is a part of the page. It holds nothing of the machine, so everybody may
// have it.
type file struct {
	kind   string
	tag    string
	plain  []byte
	zipped []byte // nil where it gains nothing
}

// kinds of file there are. The system's own list is not asked: it differs.
var kinds = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml", ".png": "image/png", ".webmanifest": "application/manifest+json",
}

// loadPage reads the page by the path of each file.
func loadPage() (map[string]file, error) {
	all := map[string]file{}
	entries, err := fs.ReadDir(pageFiles, "page")
	if err != nil {
		return nil, fmt.Errorf("phone: page: %w", err)
	}
	zip, err := gzip.NewWriterLevel(nil, gzip.BestCompression)
	if err != nil {
		return nil, fmt.Errorf("phone: page: %w", err)
	}
	for _, e := range entries {
		plain, err := pageFiles.ReadFile("page/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("phone: page: %w", err)
		}
		sum := sha256.Sum256(plain)
		f := file{kind: kinds[path.Ext(e.Name())], tag: `"` + hex.EncodeToString(sum[:8]) + `"`, plain: plain}
		if path.Ext(e.Name()) != ".png" {
			var zipped bytes.Buffer
			zip.Reset(&zipped)
			_, _ = zip.Write(plain) // a buffer takes everything
			_ = zip.Close()
			if zipped.Len() < len(plain)*9/10 {
				f.zipped = zipped.Bytes()
			}
		}
		all["/"+e.Name()] = f
	}
	all["/"] = all["/index.html"]
	return all, nil
}

// write answers a request for the file.
func (f file) write(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Cache-Control", "no-cache") // ask each time: page and program belong together
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", f.tag)
	if r.Header.Get("If-None-Match") == f.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := f.plain
	if f.zipped != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = f.zipped
	}
	h.Set("Content-Length", fmt.Sprint(len(body)))
	if r.Method != http.MethodHead {
		_, _ = w.Write(body)
	}
}
