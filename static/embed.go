// Package static holds the files that a browser fetches as they are: style, scripts and the typeface.
package static

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"strings"
)

//go:embed css js fonts
var files embed.FS

// version is a hash over every file, so that an address never shows stale content and may be cached for ever.
// It stands in the folder part: files that refer to each other by relative address need no rewriting.
var version = hash()

func hash() string {
	h := sha256.New()
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := files.ReadFile(path)
		h.Write([]byte(path))
		h.Write(data)
		return err
	})
	if err != nil {
		panic("static: the embedded files cannot be read: " + err.Error())
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

// Prefix is the folder under which Handler serves.
const Prefix = "/static/"

// URL returns the address of a file such as "css/pourbook.css".
func URL(name string) string { return Prefix + version + "/" + name }

// Handler serves the files. Addresses of an older version get the present file, uncached, so that a page drawn
// before an upgrade still works.
func Handler() http.Handler {
	server := http.FileServerFS(files)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got, name, ok := strings.Cut(strings.TrimPrefix(r.URL.Path, Prefix), "/")
		if !ok || name == "" || strings.HasSuffix(name, "/") {
			http.NotFound(w, r)
			return
		}
		if got == version {
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		} else {
			w.Header().Set("Cache-Control", "no-cache")
		}
		r.URL.Path = "/" + name
		server.ServeHTTP(w, r)
	})
}
