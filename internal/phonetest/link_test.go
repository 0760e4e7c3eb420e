package phonetest

import (
	"strings"
	"testing"
	"time"

	"chaffinch/detect/advise"
)

func TestOldDataAreCalledOld(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.says("All well")
	p.silence(false, true)
	// Heartbeats still come, but no live values: old after 4 s.
	took := ph.within(7*time.Second, "data are called old", `document.body.dataset.link === 'old'`)
	if took < 3*time.Second {
		t.Errorf("called old after %v", took)
	}
	if got := ph.text("#sentence"); !strings.HasPrefix(got, "No news: ") {
		t.Errorf("the sentence is %q", got)
	}
	if got := strings.Join(strings.Fields(ph.text("#numbers")), " "); got != "Full old Feed t/h old Load old Loss old" {
		t.Errorf("old numbers are shown: %q", got)
	}
	time.Sleep(7 * time.Second)
	if got := ph.text("#sentence"); !strings.HasPrefix(got, "No news: 1") {
		t.Errorf("with heartbeats the sentence is %q", got)
	}
}

func TestWithoutAByteThereIsNoConnection(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.says("All well")
	p.silence(true, true)
	ph.within(17*time.Second, "it is noticed", `document.body.dataset.link === 'away'`)
	if got := ph.text("#sentence"); got != "No connection" {
		t.Errorf("the sentence is %q", got)
	}
	ph.view("checks")
	if got := ph.text("#view-stop"); !strings.Contains(got, "No connection") || strings.Contains(got, "Stop to use") {
		t.Errorf("who may be standing is told %q", got)
	}
	ph.view("now")
	p.silence(false, false)
	ph.within(15*time.Second, "it comes back by itself", `document.getElementById('sentence').textContent === 'All well'`)
}

func TestTheProgramGoesAndComesBackWithoutAReload(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	p.event(overload)
	p.note(opened(faster))
	ph.says(unbroken(overload.Text))
	ph.do(`globalThis.sameLife = 1`)
	p.down()
	ph.within(7*time.Second, "it is noticed", `document.body.dataset.link !== 'live'`)
	p.up()
	// Another boot: the alert and the prompt of before are no longer true.
	ph.within(12*time.Second, "the new run is shown", `document.getElementById('sentence').textContent === 'All well'`)
	if ask[float64](ph, `globalThis.sameLife`) != 1 {
		t.Error("the page was loaded anew")
	}
	p.event(rotor)
	ph.says("Rotor down 9\u00a0%: slow down now")
	ph.tap("#seen")
	ph.until("it is told", `document.getElementById('rank').textContent === 'Seen'`)
	if told := p.told(1); told[0].Acknowledge.Event != "e8-41" {
		t.Errorf("the program was told of %s", told[0].Acknowledge.Event)
	}
}

func TestAnAnswerThatCannotBeSentIsSaidSo(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	p.note(opened(faster))
	ph.advice()
	p.down()
	ph.tap("#answers .main")
	ph.until("it says so", `document.querySelector('#card .answer').textContent.startsWith('Not sent.')`)
}

func TestThePageOpensWithoutConnection(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.until("the page is kept", `navigator.serviceWorker.controller && caches.keys().then((k) => k.length > 0)`)
	ph.until("all of it", `caches.open('page-1').then((c) => c.keys()).then((k) => k.length > 15)`)
	p.down()
	ph.do(`location.reload()`)
	ph.until("it opens", `document.getElementById('sentence')?.textContent === 'Connecting' && !document.getElementById('view-now').hidden`)
	ph.within(15*time.Second, "and says what is wrong", `document.getElementById('sentence').textContent === 'No connection'`)
	p.up()
	ph.within(10*time.Second, "and goes on", `document.getElementById('sentence').textContent === 'All well'`)
}

func TestAVerdictOfBeforeIsNoNews(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", standing)
	p.note(advise.Note{At: 60e9, Kind: advise.VerdictGiven, Verdict: &better})
	ph := newPhone(t, tall)
	ph.open(p)
	ph.until("the ribbon is drawn", `document.querySelector('#plot svg')`)
	if got := ph.text("#verdict"); got != "" {
		t.Errorf("20 minutes later it still says %q", got)
	}
	v := better
	v.Text = "Better: returns fell by 20 %."
	p.note(advise.Note{Kind: advise.VerdictGiven, Verdict: &v})
	ph.until("a new one is told", `document.getElementById('verdict').innerText.includes('returns fell')`)
}
