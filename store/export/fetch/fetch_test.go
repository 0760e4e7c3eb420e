package fetch_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"chaffinch/store/export/fetch"
)

// The whole way, over a bad connection to the real page, is tested with the
// command. Here are machines that do not behave.
func TestMachinesThatDoNotBehave(t *testing.T) {
	for _, c := range []struct {
		name   string
		answer func(n int32, w http.ResponseWriter, r *http.Request)
		says   string // of the error; empty: it is fetched
		asked  int32
		part   string // what is kept
	}{
		{"busy at first", func(n int32, w http.ResponseWriter, _ *http.Request) {
			if n < 3 {
				w.WriteHeader(503)
				fmt.Fprint(w, `{"error":{"what":"others are fetching now","try":"try again"}}`)
				return
			}
			fmt.Fprint(w, "whole")
		}, "", 3, ""},
		{"always busy", func(_ int32, w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(503)
			fmt.Fprint(w, `{"error":{"what":"others are fetching now","try":"try again"}}`)
		}, "others are fetching now", 5, ""},
		{"not there", func(_ int32, w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(404)
			fmt.Fprint(w, `{"error":{"what":"there is no such download","try":"see the list"}}`)
		}, "there is no such download; see the list", 1, ""},
		{"no machine", func(_ int32, w http.ResponseWriter, _ *http.Request) { http.Error(w, "hello", http.StatusTeapot) }, "418", 1, ""},
		{"silent", func(_ int32, _ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }, "nothing came for", 5, ""},
		{"silent in the middle", func(_ int32, w http.ResponseWriter, r *http.Request) {
			w.Header().Set("ETag", `"a"`)
			fmt.Fprint(w, "half")
			_ = http.NewResponseController(w).Flush()
			<-r.Context().Done()
		}, "what came is kept in", 5, "half"},
		{"a range that was not asked for", func(n int32, w http.ResponseWriter, r *http.Request) {
			w.Header().Set("ETag", `"a"`)
			switch {
			case n == 1:
				fmt.Fprint(w, "half")
				_ = http.NewResponseController(w).Flush()
				panic(http.ErrAbortHandler)
			case r.Header.Get("Range") != "":
				w.Header().Set("Content-Range", "bytes 0-4/5")
				w.WriteHeader(206)
				fmt.Fprint(w, "whole")
			default:
				fmt.Fprint(w, "whole")
			}
		}, "", 3, ""},
		{"no gzip after all", func(n int32, w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "gzip")
			fmt.Fprint(w, "whole")
		}, "is damaged", 1, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var asked atomic.Int32
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { c.answer(asked.Add(1), w, r) }))
			defer server.Close()
			one := &fetch.Client{Base: server.URL, Token: "x", HTTP: server.Client(), Patience: 100 * time.Millisecond, Pause: time.Millisecond}
			path := filepath.Join(t.TempDir(), "shift.csv")
			err := one.Get(context.Background(), "shift-1.csv", path)
			text, readErr := os.ReadFile(path)
			part, _ := os.ReadFile(path + ".part")
			switch {
			case c.says == "" && (err != nil || string(text) != "whole"):
				t.Errorf("%v, %q", err, text)
			case c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says) || !os.IsNotExist(readErr)):
				t.Errorf("%v, want %q; the file: %v", err, c.says, readErr)
			}
			if asked.Load() != c.asked || string(part) != c.part {
				t.Errorf("asked %d times, want %d; the part is %q, want %q", asked.Load(), c.asked, part, c.part)
			}
		})
	}
}

// Whenever it is killed: a part of an older download never stands under the tag of a
// newer one. Here it ends where the new tag would be written.
func TestAnOldPartGoesBeforeTheNewTag(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("ETag", `"new"`)
		fmt.Fprint(w, "whole")
	}))
	defer server.Close()
	path := filepath.Join(t.TempDir(), "shift.csv")
	if err := errors.Join(os.WriteFile(path+".part", []byte("old"), 0o600), os.Mkdir(path+".part.tag", 0o700)); err != nil {
		t.Fatal(err)
	}
	one := &fetch.Client{Base: server.URL, Token: "x", HTTP: server.Client(), Pause: time.Millisecond}
	if err := one.Get(context.Background(), "shift-1.csv", path); err == nil {
		t.Fatal("the tag was written: the test proves nothing")
	}
	if _, err := os.Stat(path + ".part"); !os.IsNotExist(err) {
		t.Errorf("the old part is still there (%v)", err)
	}
}

func TestAddresses(t *testing.T) {
	for address, good := range map[string]bool{
		"http://192.168.7.1:8080": true, "https://combine.local/": true, "http://[fe80::1]:8080": true,
		"192.168.7.1:8080": false, "ftp://x": false, "http://": false, "http://x/day": false, "http://a:b@x": false, "http://x?y": false, "": false,
	} {
		if err := fetch.Check(address); (err == nil) != good {
			t.Errorf("%q: %v", address, err)
		}
	}
}
