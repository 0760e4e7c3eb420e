package phone

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
)

// Nothing that somebody with all rights sends upsets the server, or is answered
// by anything but JSON.
func FuzzBodies(f *testing.F) {
	var paths []string
	for _, r := range routes {
		if r.method == http.MethodPost {
			paths = append(paths, r.path)
		}
	}
	slices.Sort(paths)
	for i, path := range paths {
		f.Add(uint8(i), []byte(good["POST "+path]))
		f.Add(uint8(i), []byte(`{"a":`))
		f.Add(uint8(i), []byte(ground))
	}
	r := newRig(f)
	cookie := r.member(SetUp)
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		r.inputs = nil
		q := request("POST", paths[int(which)%len(paths)], cookie, string(body))
		w := httptest.NewRecorder()
		r.ServeHTTP(w, q)
		if w.Body.Len() > 0 && !json.Valid(w.Body.Bytes()) {
			t.Errorf("%q", w.Body.String())
		}
		if w.Code != 200 && w.Code != 204 && (w.Code < 400 || w.Code == 500 || w.Code > 503) || r.Health().Panics > 0 {
			t.Errorf("status %d for %q", w.Code, body)
		}
		for _, in := range r.told() {
			if err := in.Validate(); err != nil {
				t.Errorf("handed on what cannot be: %v", err)
			}
		}
	})
}

// Nothing in the head of a request of a stranger lets him in.
func FuzzHeads(f *testing.F) {
	f.Add("GET", "/api/v1/me", "192.168.7.1", "chaffinch=abc", "http://192.168.7.1", "same-origin")
	f.Add("POST", "/api/v1/setup", "localhost", "", "null", "")
	r := newRig(f)
	r.raise(1, "rotor-slowing")
	f.Fuzz(func(t *testing.T, method, path, name, cookie, origin, site string) {
		q := request("GET", "/", nil, "")
		q.Method, q.URL.Path, q.Host = method, path, name
		q.Header.Set("Cookie", cookie)
		q.Header.Set("Origin", origin)
		q.Header.Set("Sec-Fetch-Site", site)
		w := httptest.NewRecorder()
		r.ServeHTTP(w, q)
		if _, public := r.page[path]; w.Code < 400 && !public && path != api+"healthz" || len(r.told()) > 0 || r.Health().Panics > 0 {
			t.Errorf("%s %q: status %d", method, path, w.Code)
		}
	})
}
