package phone

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// patience is how long a paired phone may wait for an answer while strangers do
// their worst. The machine that tests run on has other work as well.
const patience = 2 * time.Second

// user is a paired device that keeps asking.
type user struct {
	t       testing.TB
	address string
	cookie  *http.Cookie
	fresh   bool // a new connection each time
	client  *http.Client

	mu    sync.Mutex
	times []time.Duration
	again int // had to ask once more
	err   error
}

// ask asks once.
func (u *user) ask() error {
	q, err := http.NewRequest("GET", "http://"+u.address+api+"me", nil)
	if err != nil {
		return err
	}
	q.AddCookie(u.cookie)
	answer, err := u.client.Do(q)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if _, err = io.Copy(io.Discard, answer.Body); err == nil && answer.StatusCode != 200 {
		err = fmt.Errorf("status %d", answer.StatusCode)
	}
	return err
}

// keepAsking asks every few milliseconds until ctx ends. A connection that is
// lost is opened again, as the page does.
func (u *user) keepAsking(ctx context.Context) {
	u.client = &http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: u.fresh}}
	defer u.client.CloseIdleConnections()
	for ctx.Err() == nil {
		began, again := time.Now(), 0
		err := u.ask()
		for u.fresh && err != nil && time.Since(began) < patience {
			again++
			err = u.ask()
		}
		u.mu.Lock()
		u.times, u.again = append(u.times, time.Since(began)), u.again+again
		if err != nil && u.err == nil {
			u.err = err
		}
		u.mu.Unlock()
		time.Sleep(5 * time.Millisecond)
	}
}

// under runs an attack while paired phones keep asking, and says how they fared.
func (r *rig) under(name string, address string, attack func()) {
	r.t.Helper()
	ctx, stop := context.WithCancel(r.t.Context())
	users := []*user{{t: r.t, address: address, cookie: r.member(Look)}, {t: r.t, address: address, cookie: r.member(Look), fresh: true}}
	var all sync.WaitGroup
	for _, u := range users {
		all.Go(func() { u.keepAsking(ctx) })
	}
	watching := look(r.t, address, r.member(Look))
	for range 4 {
		watching.next()
	}
	time.Sleep(50 * time.Millisecond)
	attack()
	r.raise(99, "rotor-slowing")
	watching.expect("alerts", "e7-99") // a stream that was open stays open
	stop()
	all.Wait()
	for i, u := range users {
		if u.err != nil {
			r.t.Errorf("%s: a paired phone: %v", name, u.err)
		}
		slices.Sort(u.times)
		n := len(u.times)
		r.t.Logf("%s: %s: %d answers, %d asked again, p50 %v, p99 %v, longest %v", name, [...]string{"same connection", "new connections"}[i], n, u.again,
			u.times[n/2].Round(10*time.Microsecond), u.times[n*99/100].Round(10*time.Microsecond), u.times[n-1].Round(10*time.Microsecond))
	}
	h := r.Health()
	if h.Conns > mostConns || h.Panics > 0 {
		r.t.Errorf("%s: %+v", name, h)
	}
}

// Every beginning of a good request, and whatever else one may think of.
func TestMalformedRequests(t *testing.T) {
	r := newRig(t)
	r.limits.header, r.limits.read = 100*time.Millisecond, 200*time.Millisecond
	address := r.live()
	good := fmt.Sprintf("POST %sacknowledge HTTP/1.1\r\nHost: %s\r\nOrigin: http://%s\r\nContent-Type: application/json\r\nCookie: %s=%s\r\nContent-Length: 16\r\n\r\n{\"event\":\"e7-1\"}",
		api, address, address, cookieName, r.member(Answer).Value)
	corpus := []string{
		"\x00\x01\x02", "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" /* TLS */, "\x10\x0c\x00\x04MQTT" /* MQTT */, "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
		"GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "GET / HTTP/1.1\r\n\r\n", "GET / HTTP/1.1\nHost: a\n\n", "G E T / HTTP/1.1\r\n\r\n",
		"GET http://evil.example/ HTTP/1.1\r\nHost: " + address + "\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", "GET / HTTP/1.1\r\nHost: " + address + "\r\nCookie: " + strings.Repeat("a", 100_000) + "\r\n\r\n",
		"GET /" + strings.Repeat("a", 100_000) + " HTTP/1.1\r\nHost: a\r\n\r\n", "GET / HTTP/1.1\r\nHost: " + address + strings.Repeat("\r\nX: y", 20_000) + "\r\n\r\n",
		"POST /api/v1/pair HTTP/1.1\r\nHost: " + address + "\r\nContent-Length: -1\r\n\r\n",
		"POST /api/v1/pair HTTP/1.1\r\nHost: " + address + "\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef",
		"POST /api/v1/pair HTTP/1.1\r\nHost: " + address + "\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /api/v1/me HTTP/1.1\r\n\r\n",
		"POST /api/v1/pair HTTP/1.1\r\nHost: " + address + "\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffff\r\n",
		"POST /api/v1/pair HTTP/1.1\r\nHost: " + address + "\r\nTransfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n",
		"POST /api/v1/pair HTTP/1.1\r\nHost: " + address + "\r\nExpect: 100-continue\r\nContent-Length: 999999999999\r\n\r\n",
		"GET /api/v1/me HTTP/1.1\r\nHost: " + address + "\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\r\n",
		"GET /%zz HTTP/1.1\r\nHost: a\r\n\r\n", "GET /\x00 HTTP/1.1\r\nHost: a\r\n\r\n", strings.Repeat("GET / HTTP/1.1\r\nHost: "+address+"\r\n\r\n", 500),
	}
	for i := range good {
		corpus = append(corpus, good[:i])
	}
	kept, err := filepath.Glob("testdata/malformed/*")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range kept {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		corpus = append(corpus, string(text))
	}
	r.under("malformed", address, func() {
		var all sync.WaitGroup
		work := make(chan string)
		for range 8 {
			all.Go(func() {
				for text := range work {
					c, err := net.Dial("tcp", address)
					if err != nil {
						t.Error(err)
						continue
					}
					_ = c.SetDeadline(time.Now().Add(10 * time.Second))
					_, _ = io.WriteString(c, text)
					_ = c.(*net.TCPConn).CloseWrite()
					answer, err := io.ReadAll(c)
					if e, ok := err.(net.Error); ok && e.Timeout() {
						t.Errorf("held open: %.60q", text)
					}
					if bytes.Contains(answer, []byte("West 2")) {
						t.Errorf("%.60q is told of the machine", text)
					}
					c.Close()
				}
			})
		}
		for _, text := range corpus {
			work <- text
		}
		close(work)
		all.Wait()
	})
	if n := len(r.told()); n != 0 {
		t.Errorf("%d inputs were taken from cut off requests", n)
	}
	if c, err := net.Dial("tcp", address); err != nil {
		t.Error(err)
	} else {
		fmt.Fprint(c, good)
		_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
		line := make([]byte, 12)
		if _, err := io.ReadFull(c, line); err != nil || string(line) != "HTTP/1.1 204" {
			t.Errorf("the whole request: %q %v", line, err)
		}
		c.Close()
	}
}

// Senders that take for ever, with heads and with bodies.
func TestSlowSenders(t *testing.T) {
	r := newRig(t)
	r.limits.header, r.limits.read = 500*time.Millisecond, time.Second
	address := r.live()
	token := r.member(Answer).Value
	const many = 60
	var longest atomic.Int64
	r.under("slow", address, func() {
		var all sync.WaitGroup
		for i := range many {
			all.Go(func() {
				c, err := net.Dial("tcp", address)
				if err != nil {
					t.Error(err)
					return
				}
				defer c.Close()
				began := time.Now()
				text := "GET / HTTP/1.1\r\nHost: " + address + "\r\nX-" + strings.Repeat("a", 1000)
				if i%2 == 0 {
					fmt.Fprintf(c, "POST %sacknowledge HTTP/1.1\r\nHost: %s\r\nOrigin: http://%s\r\nContent-Type: application/json\r\nCookie: %s=%s\r\nContent-Length: 1000\r\n\r\n",
						api, address, address, cookieName, token)
					text = strings.Repeat(" ", 999)
				}
				for j := range len(text) {
					if _, err := c.Write([]byte{text[j]}); err != nil {
						break
					}
					time.Sleep(20 * time.Millisecond)
					if time.Since(began) > 10*time.Second {
						t.Error("still open")
						break
					}
				}
				longest.Store(max(longest.Load(), int64(time.Since(began))))
			})
		}
		all.Wait()
	})
	t.Logf("the longest of %d was held for %v", many, time.Duration(longest.Load()).Round(time.Millisecond))
}

// openFiles is how many descriptors a process may have.
func openFiles(t *testing.T) int {
	t.Helper()
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &limit); err != nil {
		t.Fatal(err)
	}
	return int(min(limit.Cur, 1<<20))
}

// Ten thousand connections of strangers that say nothing, half of them from one
// address, all opened as fast as the machine can: a paired phone keeps its
// connections, and gets new ones.
func TestTenThousandConnections(t *testing.T) {
	many := 10_000
	if testing.Short() {
		many = 1000
	}
	r := newRig(t)
	address := r.live()
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	batch := min(many, openFiles(t)-2*mostConns-200)
	if batch < 100 {
		t.Fatalf("only %d files may be open", openFiles(t))
	}
	before := runtime.NumGoroutine()
	most := 0
	var memory runtime.MemStats
	r.under("strangers", address, func() {
		for opened := 0; opened < many; {
			var held []net.Conn
			for len(held) < batch && opened < many {
				from := net.IPv4(127, 9, 9, 9)
				if opened%2 == 1 {
					from = net.IPv4(127, 0, byte(1+opened/200%50), byte(1+opened%200))
				}
				d := net.Dialer{Timeout: 10 * time.Second, LocalAddr: &net.TCPAddr{IP: from}}
				c, err := d.Dial("tcp", "127.0.0.1:"+port)
				if err != nil {
					t.Fatalf("connection %d: %v", opened, err)
				}
				held = append(held, c)
				opened++
				if opened%500 == 0 {
					most = max(most, runtime.NumGoroutine())
				}
			}
			runtime.ReadMemStats(&memory)
			for _, c := range held {
				c.Close()
			}
		}
	})
	h := r.Health()
	t.Logf("%d connections, %d held at once by the strangers, %d by the server at most, %d gave way; goroutines %d to %d; heap %d kB",
		many, batch, mostConns, h.Evicted, before, most, memory.HeapInuse>>10)
	if h.Evicted == 0 {
		t.Error("none gave way: the test proves nothing")
	}
	if most > before+3*mostConns {
		t.Errorf("%d goroutines", most)
	}
}

// Strangers that ask as fast as they can.
func TestFlood(t *testing.T) {
	r := newRig(t)
	r.strangers = newMeter(pace{burst: 120, perSecond: 10})
	address := r.live()
	var passed, refused atomic.Int64
	r.under("flood", address, func() {
		var all sync.WaitGroup
		end := time.Now().Add(time.Second)
		for i := range 8 {
			all.Go(func() {
				client := &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{}}
				defer client.CloseIdleConnections()
				for time.Now().Before(end) {
					path := [...]string{"/", api + "me", api + "stream", "/nothing"}[i%4]
					answer, err := client.Get("http://" + address + path)
					if err != nil {
						t.Error(err)
						return
					}
					_, _ = io.Copy(io.Discard, answer.Body)
					answer.Body.Close()
					if answer.StatusCode == 429 {
						refused.Add(1)
					} else {
						passed.Add(1)
					}
				}
			})
		}
		all.Wait()
	})
	t.Logf("%d passed, %d refused", passed.Load(), refused.Load())
	if passed.Load() > 120+10 {
		t.Errorf("%d passed", passed.Load())
	}
}

// A log does not grow with what strangers send.
func TestStrangersDoNotFillTheLog(t *testing.T) {
	r := newRig(t)
	address := r.live()
	for range 300 {
		r.ask("GET", "/wp-login.php", nil, "")
		r.ask("POST", api+"pair", nil, pairBody("000000"))
		if c, err := net.Dial("tcp", address); err == nil {
			fmt.Fprint(c, "\x16\x03\x01 no TLS here\r\n\r\n")
			c.Close()
		}
	}
	if n := strings.Count(r.log.String(), "\n"); n > 12 {
		t.Errorf("%d lines:\n%s", n, r.log.String())
	}
}

// deaf is a listener that the network has gone from.
type deaf struct{ net.Listener }

func (deaf) Accept() (net.Conn, error) { return nil, errors.New("the network is gone") }

// A server whose listener fails tells so: else the page would be away and nobody knew.
func TestAListenerThatFailsIsToldOf(t *testing.T) {
	r := newRig(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := r.serve(t.Context(), deaf{ln}, nil); err == nil {
		t.Fatal("it serves")
	}
	if h := r.Health(); h.Err == nil || h.Address != "" {
		t.Errorf("%+v", h)
	}
}
