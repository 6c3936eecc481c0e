package page

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"mime"
	"net/http"
	"path"
	"time"
)

// staticFiles answers with the files of the page itself. They are asked for again each time but sent only when they have changed: another build may serve
// the same address.
func staticFiles() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := path.Clean(r.URL.Path)[1:]
		data, err := static.ReadFile(name)
		if err != nil {
			http.NotFound(w, r)
			return
		}
		h := w.Header()
		h.Set("Content-Type", contentType(name))
		h.Set("Cache-Control", "no-cache")
		h.Set("ETag", fmt.Sprintf(`"%x"`, sha256.Sum256(data)))
		http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(data))
	})
}

// download sends a file to be kept, whole or not at all.
func download(w http.ResponseWriter, name string, write func(*bytes.Buffer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", contentType(name))
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	h.Set("Cache-Control", "no-store")
	_, err := b.WriteTo(w)
	return err
}

// contentType is by the ending of a file's name. The table of the machine is not asked: it may not know them.
func contentType(name string) string {
	switch path.Ext(name) {
	case ".svg":
		return "image/svg+xml"
	case ".png":
		return "image/png"
	case ".csv":
		return "text/csv; charset=utf-8"
	case ".json", ".ndjson":
		return "application/json"
	case ".html":
		return "text/html; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	}
	return "text/plain; charset=utf-8"
}
