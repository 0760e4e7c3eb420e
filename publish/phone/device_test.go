package phone

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

func TestTokensSurviveARestart(t *testing.T) {
	r := newRig(t)
	cookie := r.member(Answer)
	again := newRig(t, func(o *Options) { o.Keep = r.kept.keep() })
	if status, _ := again.ask("GET", api+"me", cookie, ""); status != 200 {
		t.Errorf("status %d", status)
	}
	if status, _ := newRig(t).ask("GET", api+"me", cookie, ""); status != 401 {
		t.Error("another computer takes the token")
	}
}

// What is kept, and what is logged, does not let anybody in.
func TestNoSecretIsKeptOrLogged(t *testing.T) {
	r := newRig(t)
	answer := r.do(request("POST", api+"pair", nil, pairBody(r.code(t, SetUp))))
	token := answer.Cookies()[0].Value
	if kept := r.kept.get(KeptDevices); strings.Contains(kept, token) || !strings.Contains(kept, "my phone") {
		t.Errorf("kept: %s", kept)
	}
	if strings.Contains(r.log.String(), token) || strings.Contains(r.log.String(), "sha256") {
		t.Errorf("logged: %s", r.log.String())
	}
	_, list := r.ask("GET", api+"devices", answer.Cookies()[0], "")
	if strings.Contains(list, "sha256") || !strings.Contains(list, `"this":true`) {
		t.Errorf("listed: %s", list)
	}
}

func TestForgetting(t *testing.T) {
	r := newRig(t)
	owner, lost := r.member(SetUp), r.member(Answer)
	var list struct {
		Devices []struct{ ID, Name string }
	}
	_, body := r.ask("GET", api+"devices", owner, "")
	if err := json.Unmarshal([]byte(body), &list); err != nil || len(list.Devices) != 2 {
		t.Fatal(body, err)
	}
	for _, d := range list.Devices {
		if d.Name == "phone of answer" {
			if status, _ := r.ask("POST", api+"forget", owner, `{"device":"`+d.ID+`"}`); status != 204 {
				t.Errorf("status %d", status)
			}
		}
	}
	if status, _ := r.ask("GET", api+"me", lost, ""); status != 401 {
		t.Errorf("the lost phone: status %d", status)
	}
	again := newRig(t, func(o *Options) { o.Keep = r.kept.keep() })
	if status, _ := again.ask("GET", api+"me", lost, ""); status != 401 {
		t.Errorf("the lost phone after a restart: status %d", status)
	}
}

func TestTheLongestUnusedGivesWay(t *testing.T) {
	r := newRig(t)
	owner := r.member(SetUp)
	second := r.member(Look)
	for range mostDevices - 1 {
		r.ask("GET", api+"me", owner, "") // in use
		r.member(Look)
	}
	if status, _ := r.ask("GET", api+"me", owner, ""); status != 200 {
		t.Error("the phone in use had to go")
	}
	if status, _ := r.ask("GET", api+"me", second, ""); status != 401 {
		t.Error("the unused phone stays")
	}
	if n := len(r.devices.list()); n != mostDevices {
		t.Errorf("%d devices", n)
	}
}

// When it was used is kept once a day, so that looking does not wear the card.
func TestUseIsKeptOnceADay(t *testing.T) {
	r := newRig(t)
	saves, keep := 0, r.devices.keep
	r.devices.keep.Save = func(name string, data []byte) error { saves++; return keep.Save(name, data) }
	cookie := r.member(Look)
	for range 100 {
		r.ask("GET", api+"me", cookie, "")
		r.clock.pass(15 * time.Minute)
	}
	if saves != 1+1 { // paired, and one more day
		t.Errorf("saved %d times", saves)
	}
}

func TestKeptThatCannotBeRead(t *testing.T) {
	for name, text := range map[string]string{
		"empty": "", "no JSON": "{", "another version": `{"v":2,"devices":[]}`, "no hash": `{"v":1,"devices":[{"id":"a","role":"look","sha256":""}]}`,
		"no role": `{"v":1,"devices":[{"id":"a","role":"none","sha256":"` + strings.Repeat("00", 32) + `"}]}`,
		"cut off": `{"v":1,"devices":[{"id":"a","role":"look","sha256":"` + strings.Repeat("00", 20),
	} {
		kept := &shelf{all: map[string][]byte{KeptDevices: []byte(text)}}
		r := newRig(t, func(o *Options) { o.Keep = kept.keep() })
		if n := len(r.devices.list()); n != 0 {
			t.Errorf("%s: %d devices", name, n)
		}
		if !strings.Contains(r.log.String(), "paired again") {
			t.Errorf("%s: nobody is told", name)
		}
		cookie := r.member(Look)
		if status, _ := r.ask("GET", api+"me", cookie, ""); status != 200 {
			t.Errorf("%s: no phone can be paired anew: %d", name, status)
		}
	}
	r := newRig(t, func(o *Options) {
		o.Keep.Load = func(string) ([]byte, error) { return nil, errors.New("input/output error") }
	})
	if !strings.Contains(r.log.String(), "input/output error") {
		t.Error("a disk that fails is not told of")
	}
}

// A disk that fails does not keep a phone out.
func TestSavingFails(t *testing.T) {
	r := newRig(t)
	r.kept.err = errors.New("no space left")
	answer := r.do(request("POST", api+"pair", nil, pairBody(r.code(t, Answer))))
	if answer.StatusCode != 200 {
		t.Fatal(answer.StatusCode)
	}
	if status, _ := r.ask("GET", api+"me", answer.Cookies()[0], ""); status != 200 {
		t.Errorf("status %d", status)
	}
	if !strings.Contains(r.log.String(), "no space left") {
		t.Error("nobody is told")
	}
}

func TestNames(t *testing.T) {
	for given, want := range map[string]string{
		"": "a phone", " \t": "a phone", "Anna’s phone": "Anna’s phone", "a\x00b\nc\x7f": "abc", "bad \xff": "bad",
		strings.Repeat("ä", 50): strings.Repeat("ä", 40),
	} {
		if got := cleanName(given); got != want {
			t.Errorf("%q becomes %q, want %q", given, got, want)
		}
	}
	r := newRig(t)
	body := fmt.Sprintf(`{"code":%q,"name":"<script>alert(1)</script>"}`, r.code(t, SetUp))
	cookie := r.do(request("POST", api+"pair", nil, body)).Cookies()[0]
	if _, list := r.ask("GET", api+"devices", cookie, ""); strings.Contains(list, "<script>") {
		t.Errorf("not escaped: %s", list)
	}
}
