package phone

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"
)

func (r *rig) code(t testing.TB, role Role) string {
	t.Helper()
	c, err := r.pairing.current(role)
	if err != nil {
		t.Fatal(err)
	}
	return c.digits
}

func pairBody(code string) string { return `{"code":"` + code + `","name":"my phone"}` }

// other is a code that is none.
func other(code string) string {
	last := code[len(code)-1]
	return code[:len(code)-1] + string('0'+(last-'0'+1)%10)
}

func TestPairing(t *testing.T) {
	for role := Look; role < roleCount; role++ {
		r := newRig(t)
		answer := r.do(request("POST", api+"pair", nil, pairBody(r.code(t, role))))
		if answer.StatusCode != 200 || len(answer.Cookies()) != 1 {
			t.Fatalf("%s: status %d, cookies %v", role, answer.StatusCode, answer.Cookies())
		}
		c := answer.Cookies()[0]
		if c.Name != "chaffinch" || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure || c.MaxAge != 365*24*3600 || c.Path != "/" {
			t.Errorf("cookie %+v", c)
		}
		status, me := r.ask("GET", api+"me", c, "")
		if status != 200 || !strings.Contains(me, `"role":"`+role.String()+`"`) || !strings.Contains(me, `"machine":"West 2"`) || !strings.Contains(me, `"name":"my phone"`) {
			t.Errorf("%s: %d %s", role, status, me)
		}
	}
}

func TestACodeWorksOnceAndForTenMinutes(t *testing.T) {
	r := newRig(t)
	code := r.code(t, Answer)
	if status, _ := r.ask("POST", api+"pair", nil, pairBody(code)); status != 200 {
		t.Fatal(status)
	}
	if status, _ := r.ask("POST", api+"pair", nil, pairBody(code)); status != 403 {
		t.Errorf("the second time: status %d", status)
	}
	code = r.code(t, Answer)
	r.clock.pass(codeLife - time.Second)
	if r.code(t, Answer) != code {
		t.Error("another code before its time is over")
	}
	r.clock.pass(time.Second)
	if status, _ := r.ask("POST", api+"pair", nil, pairBody(code)); status != 403 {
		t.Errorf("after ten minutes: status %d", status)
	}
	if r.code(t, Answer) == code {
		t.Error("the code lives on")
	}
}

// Whoever does not know the code: five tries, then waits that double, whatever
// the address. In the ten minutes of a code that is nine tries of a million.
func TestGuessing(t *testing.T) {
	r := newRig(t)
	code := r.code(t, SetUp)
	wrong := other(code)
	tries, began, waits := 0, r.clock.now(), []string{}
	for i := 0; r.clock.now().Sub(began) < codeLife; i++ {
		q := request("POST", api+"pair", nil, pairBody(wrong))
		q.RemoteAddr = "10.1.1." + string('0'+byte(i%10)) + ":1"
		answer := r.do(q)
		switch answer.StatusCode {
		case 403:
			tries++
		case 429:
			waits = append(waits, answer.Header.Get("Retry-After"))
			wait, err := time.ParseDuration(answer.Header.Get("Retry-After") + "s")
			if err != nil {
				t.Fatal(err)
			}
			// The right code does not help before the wait is over.
			if status, _ := r.ask("POST", api+"pair", nil, pairBody(code)); status != 429 {
				t.Fatalf("status %d while nobody may try", status)
			}
			r.clock.pass(wait)
		default:
			t.Fatalf("status %d", answer.StatusCode)
		}
	}
	if got := strings.Join(waits, " "); tries != 9 || got != "30 60 120 240 480" {
		t.Errorf("%d tries, waits %s", tries, got)
	}
	if !strings.Contains(r.log.String(), "wrong code") || strings.Contains(r.log.String(), wrong) {
		t.Errorf("the log: %s", r.log.String())
	}
	r.clock.pass(forgiven + time.Minute)
	if status, _ := r.ask("POST", api+"pair", nil, pairBody(r.code(t, SetUp))); status != 200 {
		t.Errorf("when all is forgiven: status %d", status)
	}
}

// Each of a million codes comes as often as any other: 200 000 of them in
// twenty classes, chi-square with 19 degrees of freedom under 43.8 (0.1 %).
func TestCodesAreEven(t *testing.T) {
	const n, classes = 200_000, 20
	var counts [classes]float64
	random, form := &dice{}, regexp.MustCompile(`^[0-9]{6}$`)
	for range n {
		digits, err := sixDigits(random)
		if err != nil || !form.MatchString(digits) {
			t.Fatal(digits, err)
		}
		counts[(int(digits[0]-'0')*10+int(digits[1]-'0'))/5]++
	}
	chi := 0.0
	for _, c := range counts {
		chi += (c - n/classes) * (c - n/classes) / (n / classes)
	}
	if chi > 43.8 {
		t.Errorf("chi-square %.1f: %v", chi, counts)
	}
}

func TestCodesForOthers(t *testing.T) {
	r := newRig(t)
	owner := r.member(SetUp)
	status, body := r.ask("GET", api+"pairing?role=look", owner, "")
	if status != 200 || !strings.Contains(body, `"url":"http://192.168.7.1:8080/#pair=`+r.code(t, Look)+`"`) || !strings.Contains(body, `"ends_s":600`) {
		t.Errorf("%d %s", status, body)
	}
	if _, again := r.ask("GET", api+"pairing?role=look", owner, ""); again != body {
		t.Errorf("asked again: %s", again)
	}
	if _, answer := r.ask("GET", api+"pairing", owner, ""); !strings.Contains(answer, `"role":"answer"`) {
		t.Errorf("without a role: %s", answer)
	}
	if status, _ := r.ask("GET", api+"pairing?role=owner", owner, ""); status != 400 {
		t.Errorf("a role that is none: %d", status)
	}
}

// What is shown at the computer: a code that may set up until a phone may, then
// one that may answer.
func TestCodesAtTheStart(t *testing.T) {
	for _, c := range []struct{ paired, want Role }{{NoRole, SetUp}, {Look, SetUp}, {SetUp, Answer}} {
		shown := make(chan Code, 1)
		r := newRig(t, func(o *Options) { o.Show = func(c Code) { shown <- c } })
		r.member(c.paired)
		r.live()
		select {
		case code := <-shown:
			if code.Role != c.want || !strings.HasSuffix(code.URL, "/#pair="+code.Digits) || !strings.HasPrefix(code.URL, "http://") {
				t.Errorf("with %s paired: %+v", c.paired, code)
			}
			if !strings.Contains(r.log.String(), code.Digits) {
				t.Error("the log has no code")
			}
		case <-time.After(5 * time.Second):
			t.Fatal("no code is shown")
		}
	}
}
