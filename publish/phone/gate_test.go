package phone

import (
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/problem"
	"chaffinch/publish"
)

// good is a request that each route takes, by method and path.
var good = map[string]string{
	"POST " + api + "pair":         `{"code":"000000","name":"x"}`,
	"POST " + api + "acknowledge":  `{"event":"e7-1"}`,
	"POST " + api + "answer":       `{"prompt":"p7-3","reply":"done"}`,
	"POST " + api + "check":        `{"returns":{"mostly":"chaff"}}`,
	"POST " + api + "setup":        `{"field":"west"}`,
	"POST " + api + "display-says": `{"signal":"rotor_speed_rpm","value":820}`,
	"POST " + api + "forget":       `{"device":"nobody"}`,
}

// answered is the status when the role is enough.
var answered = map[string]int{
	"POST " + api + "pair": 403, "POST " + api + "acknowledge": 204, "POST " + api + "answer": 204,
	"POST " + api + "setup": 204, "POST " + api + "display-says": 503, "POST " + api + "forget": 404,
	"GET " + download: 404,
}

// Every route, with every role and every method: a stranger gets nothing, and
// nobody more than his role allows.
func TestWhoMayDoWhat(t *testing.T) {
	methods := []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "FROBNICATE", "get"}
	for role := NoRole; role < roleCount; role++ {
		r := newRig(t)
		cookie := r.member(role)
		takes := map[string]map[string]Role{}
		for _, one := range routes {
			if takes[one.path] == nil {
				takes[one.path] = map[string]Role{}
			}
			takes[one.path][one.method] = one.role
		}
		for path, roles := range takes {
			if path == api+"stream" {
				continue // it does not end: see stream_test.go
			}
			asked := strings.Replace(path, "{name}", "shift.csv", 1)
			for _, method := range methods {
				key := method + " " + path
				needs, there := roles[method]
				want := 200
				switch {
				case !there:
					want = 405
				case role < needs && role == NoRole:
					want = 401
				case role < needs:
					want = 403
				case answered[key] != 0:
					want = answered[key]
				}
				before := len(r.told())
				answer := r.do(request(method, asked, cookie, good[key]))
				if answer.StatusCode != want {
					t.Errorf("%s as %s: status %d, want %d", key, role, answer.StatusCode, want)
				}
				if want == 405 && answer.Header.Get("Allow") == "" {
					t.Errorf("%s: it does not say what is allowed", key)
				}
				if there && role < needs || want == 405 {
					if len(r.told()) != before {
						t.Errorf("%s as %s: it was handed to the program", key, role)
					}
				}
			}
		}
	}
}

// A stranger gets the page, which holds nothing of the machine, and no word of
// the machine from any other path.
func TestAStrangerLearnsNothing(t *testing.T) {
	r := newRig(t)
	r.raise(1, "rotor-slowing")
	r.opts.Board.Live(second(1))
	for _, path := range []string{"/", "/index.html", "/app.js", "/worker.js", "/api/v1/me", "/api/v1/stream", "/api/v1/day", "/api/v1/setup",
		"/api", "/api/v1", "/api/v1/", "/api/v1/me/", "/api/v2/me", "/api/v1/downloads/", "/api/v1/downloads/{name}", "/api/v1/downloads/a/b",
		"//api/v1/me", "/api/v1/../v1/me", "/page/index.html", "/page.go", "/../server.go", "/%2e%2e/server.go", "/shots/day-day.png", "/SECURITY.md",
		"/debug/pprof/", "/metrics", "/.git/config", "/wp-login.php"} {
		status, body := r.ask("GET", path, nil, "")
		if status == 200 != (path == "/" || strings.Count(path, "/") == 1 && strings.Contains(path, ".") && r.page[path].plain != nil) {
			t.Errorf("%s: status %d", path, status)
		}
		for _, word := range []string{"West 2", "west-2", "rotor-slowing", "Rotor slows", "wheat", "v0.9.0"} {
			if strings.Contains(body, word) {
				t.Errorf("%s tells a stranger %q", path, word)
			}
		}
	}
}

// Tokens that are none.
func TestForgedTokens(t *testing.T) {
	r := newRig(t)
	real := r.member(SetUp).Value
	for _, token := range []string{"", "a", real[:len(real)-1], real + "A", strings.ToLower(real), strings.Repeat("A", len(real)), "null", "' or 1=1 --"} {
		q := request("GET", api+"me", nil, "")
		q.Header.Set("Cookie", cookieName+"="+token)
		if answer := r.do(q); answer.StatusCode != 401 {
			t.Errorf("token %q: status %d", token, answer.StatusCode)
		}
	}
}

// What another page in the same browser can make the browser send. (OWASP
// Cross-Site Request Forgery Prevention: origin and fetch metadata.)
func TestOnlyThePageItselfMayChangeAnything(t *testing.T) {
	r := newRig(t)
	cookie := r.member(SetUp)
	for _, c := range []struct {
		name, origin, site, kind string
		want                     int
	}{
		{"the page, by both", "http://" + host, "same-origin", "application/json", 204},
		{"the page, old browser", "http://" + host, "", "application/json", 204},
		{"the page, no origin sent", "", "same-origin", "application/json", 204},
		{"with a charset", "http://" + host, "same-origin", "application/json; charset=utf-8", 204},
		{"upper case", "http://" + strings.ToUpper(host), "", "application/json", 204},
		{"nothing said", "", "", "application/json", 403},
		{"another site", "http://evil.example", "cross-site", "application/json", 403},
		{"another site, site forged", "http://evil.example", "same-origin", "application/json", 403},
		{"the same site but not origin", "http://192.168.7.1:9090", "same-site", "application/json", 403},
		{"another port, old browser", "http://192.168.7.1:9090", "", "application/json", 403},
		{"another scheme", "https://" + host, "", "application/json", 403},
		{"typed into the address bar", "", "none", "application/json", 403},
		{"a sandbox", "null", "", "application/json", 403},
		{"ours as a user name", "http://" + host + "@evil.example", "", "application/json", 403},
		{"ours and more", "http://" + host + ".evil.example", "", "application/json", 403},
		{"a form", "http://" + host, "same-origin", "application/x-www-form-urlencoded", 415},
		{"text", "http://" + host, "same-origin", "text/plain", 415},
		{"no kind", "http://" + host, "same-origin", "", 415},
	} {
		q := request("POST", api+"setup", cookie, `{"field":"west"}`)
		for name, value := range map[string]string{"Origin": c.origin, "Sec-Fetch-Site": c.site, "Content-Type": c.kind} {
			if value == "" {
				q.Header.Del(name)
			} else {
				q.Header.Set(name, value)
			}
		}
		before := len(r.told())
		if answer := r.do(q); answer.StatusCode != c.want {
			t.Errorf("%s: status %d, want %d", c.name, answer.StatusCode, c.want)
		}
		if taken := len(r.told()) > before; taken != (c.want == 204) {
			t.Errorf("%s: taken: %t", c.name, taken)
		}
	}
}

// A name elsewhere that is made to stand for our address (DNS rebinding).
func TestOtherNamesAreRefused(t *testing.T) {
	r := newRig(t, func(o *Options) { o.Settings.Hosts = []string{"Combine.farm.example"} })
	cookie := r.member(Look)
	for name, want := range map[string]int{
		"192.168.7.1:8080": 200, "192.168.7.1": 200, "[fe80::1]:8080": 200, "[::1]": 200, "localhost:8080": 200, "LOCALHOST": 200,
		"combine.farm.example:8080": 200, "combine.farm.example.": 200,
		"evil.example": 421, "192.168.7.1.evil.example:8080": 421, "": 421, "combine.farm.example.evil.example": 421, "1.2.3.4.5": 421, "xn--": 421,
	} {
		for _, path := range []string{api + "me", "/"} {
			q := request("GET", path, cookie, "")
			q.Host = name
			if answer := r.do(q); answer.StatusCode != want {
				t.Errorf("%s of host %q: status %d, want %d", path, name, answer.StatusCode, want)
			}
		}
	}
}

func TestHeadersOfEveryAnswer(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/nothing", api + "healthz", api + "me"} {
		h := r.do(request("GET", path, nil, "")).Header
		for name, want := range map[string]string{
			"Content-Security-Policy": "default-src 'self'", "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY",
			"Referrer-Policy": "no-referrer", "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
		} {
			if !strings.HasPrefix(h.Get(name), want) {
				t.Errorf("%s: %s is %q", path, name, h.Get(name))
			}
		}
		if strings.HasPrefix(path, api) && h.Get("Cache-Control") != "no-store" {
			t.Errorf("%s may be kept: %q", path, h.Get("Cache-Control"))
		}
		if h.Get("Access-Control-Allow-Origin") != "" || h.Get("Server") != "" {
			t.Errorf("%s: %v", path, h)
		}
	}
}

// What the program says to an input, as a status.
func TestWhatComesOfAnInput(t *testing.T) {
	for _, c := range []struct {
		name, path, body string
		err              error
		status           int
		what             string
	}{
		{"taken", "acknowledge", `{"event":"e7-1"}`, nil, 204, ""},
		{"gone", "answer", `{"prompt":"p7-3","reply":"later"}`, publish.ErrGone, 409, "no longer open"},
		{"busy", "check", `{"tank":{"broken":"some"}}`, publish.ErrBusy, 503, "waits"},
		{"cannot be", "setup", `{"crop":"hops"}`, &problem.Problem{What: "there is no crop hops", Try: "barley, wheat"}, 400, "hops"},
		{"no id", "acknowledge", `{"event":"x"}`, nil, 400, "no id"},
		{"unknown key", "answer", `{"prompt":"p7-3","reply":"done","by":"me"}`, nil, 400, "cannot be read"},
		{"two objects", "acknowledge", `{"event":"e7-1"}{}`, nil, 400, "behind"},
		{"an array", "acknowledge", `["e7-1"]`, nil, 400, "no JSON object"},
		{"nothing", "check", ``, nil, 400, "no JSON object"},
		{"as long as may be", "setup", `{"field":"w"` + strings.Repeat(" ", publish.MaxInput-13) + `}`, nil, 204, ""},
		{"too long", "setup", `{"field":"w"` + strings.Repeat(" ", publish.MaxInput-12) + `}`, nil, 413, "too long"},
		{"deep", "check", strings.Repeat(`{"tank":`, 2000), nil, 400, "cannot be read"},
	} {
		r := newRig(t)
		r.err = c.err
		status, body := r.ask("POST", api+c.path, r.member(SetUp), c.body)
		if status != c.status {
			t.Errorf("%s: status %d, want %d: %s", c.name, status, c.status, body)
		}
		if c.what != "" {
			if what, try := errorOf(t, body); !strings.Contains(what, c.what) || try == "" {
				t.Errorf("%s: %q, try %q", c.name, what, try)
			}
		}
	}
}

func TestHowOften(t *testing.T) {
	r := newRig(t)
	r.strangers, r.paired, r.changes = newMeter(pace{5, 1}), newMeter(pace{8, 1}), newMeter(pace{3, 1})
	cookie := r.member(Answer)
	count := func(q func() *http.Request) (passed int) {
		for range 20 {
			answer := r.do(q())
			if answer.StatusCode == 429 {
				if answer.Header.Get("Retry-After") != "1" {
					t.Errorf("retry after %q", answer.Header.Get("Retry-After"))
				}
				continue
			}
			passed++
		}
		return passed
	}
	stranger := func() *http.Request { return request("GET", api+"healthz", nil, "") }
	if n := count(stranger); n != 5 {
		t.Errorf("a stranger passed %d times, want 5", n)
	}
	if n := count(func() *http.Request {
		q := stranger()
		q.RemoteAddr = "192.168.7.99:1"
		return q
	}); n != 5 {
		t.Errorf("another stranger passed %d times, want 5", n)
	}
	// From the same address as the first stranger, who has used up his share.
	if n := count(func() *http.Request { return request("POST", api+"acknowledge", cookie, `{"event":"e7-1"}`) }); n != 3 {
		t.Errorf("a paired phone changed something %d times, want 3", n)
	}
	r.clock.pass(4 * time.Second)
	if n := count(func() *http.Request { return request("GET", api+"me", cookie, "") }); n != 4 {
		t.Errorf("a paired phone passed %d times after 4 s, want 4", n)
	}
}

// Whoever has many addresses shares one bucket at last; in IPv6 a /64 is one.
func TestManyAddresses(t *testing.T) {
	r := newRig(t)
	r.strangers = newMeter(pace{2, 0.001})
	passed := 0
	for i := range 2000 {
		q := request("GET", api+"healthz", nil, "")
		q.RemoteAddr = "10.0." + strconv.Itoa(i/250) + "." + strconv.Itoa(i%250) + ":1"
		if i%3 == 0 {
			q.RemoteAddr = "[2001:db8::" + strconv.Itoa(i) + "]:1"
		}
		if r.do(q).StatusCode == 200 {
			passed++
		}
	}
	if passed > 2*(mostBuckets+1) || len(r.strangers.all) > mostBuckets+1 {
		t.Errorf("%d passed, %d buckets", passed, len(r.strangers.all))
	}
}

// A mistake of ours ends one request only, and does not look like an answer.
func TestAPanicEndsOneRequest(t *testing.T) {
	r := newRig(t, func(o *Options) {
		o.Downloads = func() []Download { panic("oh") }
	})
	address := r.live()
	cookie := r.member(Look)
	get := func(path string) (*http.Response, error) {
		q, _ := http.NewRequest("GET", "http://"+address+path, nil)
		q.AddCookie(cookie)
		return http.DefaultClient.Do(q)
	}
	if _, err := get(api + "downloads"); err == nil {
		t.Error("an answer came")
	}
	answer, err := get(api + "me")
	if err != nil || answer.StatusCode != 200 {
		t.Errorf("after it: %v %v", answer, err)
	}
	if r.Health().Panics != 1 || !strings.Contains(r.log.String(), "upset") {
		t.Error("nobody is told")
	}
}

// What a paired phone sends stands in the answer that refuses it. However much of
// that there is, none of it is kept.
func TestRefusalsFillNoMemory(t *testing.T) {
	r := newRig(t)
	cookie := r.member(Answer)
	for i := range 2000 {
		status, _ := r.ask("POST", api+"answer", cookie, `{"prompt":"p7-3","reply":"word`+strconv.Itoa(i)+`"}`)
		if status != 400 {
			t.Fatalf("status %d", status)
		}
	}
	if n := len(r.hush.last); n == 0 || n > mostSaid {
		t.Errorf("%d texts are remembered", n)
	}
}
