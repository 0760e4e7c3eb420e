package phone

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// numbers is a download of many lines that is the same each time.
func numbers(tag string, lines int) Download {
	return Download{Name: "shift.csv", Words: "Numbers", Type: "text/csv", Tag: tag, Write: func(ctx context.Context, w io.Writer) error {
		for i := range lines {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if _, err := fmt.Fprintf(w, "%d,%d\r\n", i, i*i%977); err != nil {
				return err
			}
		}
		return nil
	}}
}

func text(t testing.TB, d Download) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d.Write(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// fetch asks for the download; headers are name, value and so on.
func (r *rig) fetch(cookie *http.Cookie, headers ...string) *http.Response {
	q := request("GET", api+"downloads/shift.csv", cookie, "")
	for i := 0; i < len(headers); i += 2 {
		q.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	r.ServeHTTP(w, q)
	return w.Result()
}

func bodyOf(t testing.TB, answer *http.Response) []byte {
	t.Helper()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Single ranges are answered as by http.ServeContent of the standard library,
// which has the whole in memory.
func TestRangesAsTheStandardLibrary(t *testing.T) {
	d := numbers("a1", 3000)
	whole := text(t, d)
	r := newRig(t, func(o *Options) { o.Downloads = func() []Download { return []Download{d} } })
	cookie := r.member(Look)
	rapid.Check(t, func(rt *rapid.T) {
		r.clock.pass(time.Second)
		number := rapid.Int64Range(0, int64(len(whole))+50)
		wanted := ""
		switch rapid.IntRange(0, 2).Draw(rt, "form") {
		case 0:
			wanted = fmt.Sprintf("bytes=%d-", number.Draw(rt, "from"))
		case 1:
			from := number.Draw(rt, "from")
			wanted = fmt.Sprintf("bytes=%d-%d", from, from+number.Draw(rt, "more"))
		default:
			wanted = fmt.Sprintf("bytes=-%d", rapid.Int64Range(1, int64(len(whole))+50).Draw(rt, "last"))
		}
		headers := []string{"Range", wanted}
		if tag := rapid.SampledFrom([]string{"", `"a1"`, `"other"`, `W/"a1"`}).Draw(rt, "tag"); tag != "" {
			headers = append(headers, "If-Range", tag)
		}
		got := r.fetch(cookie, headers...)
		q := httptest.NewRequest("GET", "/shift.csv", nil)
		for i := 0; i < len(headers); i += 2 {
			q.Header.Set(headers[i], headers[i+1])
		}
		w := httptest.NewRecorder()
		w.Header().Set("ETag", `"a1"`)
		http.ServeContent(w, q, "shift.csv", time.Time{}, bytes.NewReader(whole))
		want := w.Result()
		if got.StatusCode != want.StatusCode || got.Header.Get("Content-Range") != want.Header.Get("Content-Range") {
			rt.Fatalf("%v: %d %q, want %d %q", headers, got.StatusCode, got.Header.Get("Content-Range"), want.StatusCode, want.Header.Get("Content-Range"))
		}
		if got.StatusCode < 400 && !bytes.Equal(bodyOf(t, got), bodyOf(t, want)) {
			rt.Fatalf("%v: other bytes", headers)
		}
	})
}

// A compressed download that broke off goes on where it was, and is the whole.
func TestACompressedDownloadGoesOn(t *testing.T) {
	d := numbers("a1", 20000)
	r := newRig(t, func(o *Options) { o.Downloads = func() []Download { return []Download{d} } })
	cookie := r.member(Look)
	first := r.fetch(cookie, "Accept-Encoding", "br;q=1, gzip;q=0.5")
	if first.Header.Get("Content-Encoding") != "gzip" || first.Header.Get("Accept-Ranges") != "bytes" || first.Header.Get("Vary") != "Accept-Encoding" {
		t.Fatal(first.Header)
	}
	zipped := bodyOf(t, first)
	tag := first.Header.Get("ETag")
	if plain := r.fetch(cookie); plain.Header.Get("ETag") == tag || plain.Header.Get("Content-Encoding") != "" {
		t.Error("the two forms have one tag")
	}
	whole := append([]byte(nil), zipped[:1000]...)
	for len(whole) < len(zipped) {
		part := r.fetch(cookie, "Accept-Encoding", "gzip", "Range", fmt.Sprintf("bytes=%d-%d", len(whole), len(whole)+9999), "If-Range", tag)
		if part.StatusCode != 206 {
			t.Fatal(part.Status)
		}
		whole = append(whole, bodyOf(t, part)...)
	}
	z, err := gzip.NewReader(bytes.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := io.ReadAll(z); err != nil || !bytes.Equal(got, text(t, d)) {
		t.Error("it is not the whole", err)
	}
}

// What may change, and what is asked for in a way that is not understood, comes as
// a whole.
func TestNoRangeOfWhatMayChange(t *testing.T) {
	d := numbers("", 50)
	r := newRig(t, func(o *Options) { o.Downloads = func() []Download { return []Download{d} } })
	cookie := r.member(Look)
	answer := r.fetch(cookie, "Range", "bytes=10-")
	if answer.StatusCode != 200 || answer.Header.Get("ETag") != "" || answer.Header.Get("Accept-Ranges") != "none" || !bytes.Equal(bodyOf(t, answer), text(t, d)) {
		t.Error(answer.Status, answer.Header)
	}
	d.Tag = "a1"
	for _, wanted := range []string{"bytes=1-2,5-6", "lines=1-2", "bytes=", "bytes=x-", "bytes=9-3", "bytes=--5", "bytes=99999999999999999999-"} {
		if answer := r.fetch(cookie, "Range", wanted); answer.StatusCode != 200 {
			t.Error(wanted, answer.Status)
		}
	}
	d.Zipped = true
	if answer := r.fetch(cookie, "Accept-Encoding", "gzip"); answer.Header.Get("Content-Encoding") != "" {
		t.Error("it is compressed twice")
	}
	if answer := r.fetch(cookie, "Accept-Encoding", "gzip;q=0"); answer.Header.Get("Content-Encoding") != "" {
		t.Error("it is compressed for who does not want it")
	}
}

// Two at a time: the third is told to wait.
func TestFewDownloadsAtATime(t *testing.T) {
	begun, end := make(chan struct{}), make(chan struct{})
	d := Download{Name: "shift.csv", Type: "text/csv", Write: func(context.Context, io.Writer) error {
		begun <- struct{}{}
		<-end
		return nil
	}}
	r := newRig(t, func(o *Options) { o.Downloads = func() []Download { return []Download{d} } })
	cookie := r.member(Look)
	ended := make(chan int, mostDownloads)
	for range mostDownloads {
		go func() { ended <- r.fetch(cookie).StatusCode }()
		<-begun
	}
	third := r.do(request("GET", api+"downloads/shift.csv", cookie, ""))
	if third.StatusCode != 503 || third.Header.Get("Retry-After") == "" {
		t.Error(third.Status, third.Header)
	}
	close(end)
	for range mostDownloads {
		if status := <-ended; status != 200 {
			t.Error(status)
		}
	}
	go func() { <-begun }()
	if answer := r.fetch(cookie); answer.StatusCode != 200 {
		t.Error("there is no place after they ended:", answer.Status)
	}
}

// A stranger gets nothing, range or not.
func TestStrangersGetNoRange(t *testing.T) {
	r := newRig(t, func(o *Options) { o.Downloads = func() []Download { return []Download{numbers("a1", 50)} } })
	if answer := r.fetch(nil, "Range", "bytes=0-5"); answer.StatusCode != 401 || strings.Contains(string(bodyOf(t, answer)), "0,0") {
		t.Error(answer.Status)
	}
}

// A client may ask for more than there can be.
func TestARangeToTheEndOfAllNumbers(t *testing.T) {
	d := numbers("a1", 100)
	whole := text(t, d)
	r := newRig(t, func(o *Options) { o.Downloads = func() []Download { return []Download{d} } })
	got := r.fetch(r.member(Look), "Range", fmt.Sprintf("bytes=10-%d", int64(math.MaxInt64)))
	if want := fmt.Sprintf("bytes 10-%d/%d", len(whole)-1, len(whole)); got.Header.Get("Content-Range") != want {
		t.Errorf("%q, want %q", got.Header.Get("Content-Range"), want)
	}
	if b := bodyOf(t, got); !bytes.Equal(b, whole[10:]) {
		t.Errorf("%d bytes, want %d", len(b), len(whole)-10)
	}
}
