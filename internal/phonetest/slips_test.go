package phonetest

import (
	"math"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"chaffinch/detect/advise"
	"chaffinch/publish"
)

// finger touches the middle of an element for a while, as a finger does: a mouse
// counts earlier.
func (ph *phone) finger(selector string, long time.Duration) {
	ph.t.Helper()
	x, y := ph.middle(selector)
	ph.run(call(input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchStart, TouchPoints: []*input.TouchPoint{{X: x, Y: y}}}),
		chromedp.Sleep(long),
		call(input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchEnd, TouchPoints: []*input.TouchPoint{}}))
}

// A quarter of a square metre is 2.69 square feet; 0.25 of those would make every
// loss eleven times as large.
func TestTheAreaOfACountIsInTheUnitsThatAreShown(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", standing)
	p.units = "us"
	ph := newPhone(t, tall)
	ph.open(p)
	ph.view("checks")
	ph.tap("#box-ground summary")
	if got := ask[string](ph, `document.querySelector('[name=area-header]').value`); got != "2.69" {
		t.Errorf("the usual area is %s ft²", got)
	}
	// A bushel of wheat is 60 lb, one of barley 48 (USDA).
	p.mu.Lock()
	p.crop = "barley"
	p.mu.Unlock()
	ph.view("now")
	ph.view("checks")
	ph.until("bushels are of the crop", `import('/units.js').then((u) => Math.abs(u.metric(100, 't/ha') - 4800 * 0.45359237 / 0.40468564224 / 1000) < 1e-4)`)
	ph.tap(`[data-place=header] .stepper button:nth-of-type(4)`)
	ph.do(`document.querySelector('[name=area-header]').value = '5'`)
	p.mu.Lock()
	p.units = "metric"
	p.mu.Unlock()
	ph.view("now")
	ph.view("checks")
	ph.until("units may be set anew", `document.querySelector('[data-place=behind] .unit').textContent === '(m²)' && document.querySelector('[name=area-behind]').value === '0.25'`)
	if got := ask[string](ph, `document.querySelector('[name=area-header]').value`); got != "5" {
		t.Errorf("what he typed became %s", got)
	}
}

// A limit that nobody touched is not what was shown of it in round miles per hour.
func TestLimitsThatNobodyTouchedStay(t *testing.T) {
	t.Parallel()
	p := serve(t, "setup", standing)
	p.units = "us"
	now := setup
	now.Limits = map[string]publish.Limit{"ground_speed_kmh": {Min: of(2), Max: of(8)}, "upper_sieve_mm": {Max: of(14)}}
	p.board.SetSetup(now)
	ph := newPhone(t, tall)
	ph.open(p)
	ph.view("setup")
	ph.until("limits are shown", `document.querySelector('[name="ground_speed_kmh.max"]')`)
	ph.do(`document.querySelector('[name="rotor_speed_rpm.max"]').value = '900'`)
	ph.tap("#set-limits button")
	all := p.told(1)[0].Setup.Limits
	if got := *all["ground_speed_kmh"].Min; got != 2 {
		t.Errorf("2 km/h became %v", got)
	}
	if got := *all["ground_speed_kmh"].Max; got != 8 {
		t.Errorf("8 km/h became %v", got)
	}
	if got := *all["upper_sieve_mm"].Max; got != 14 {
		t.Errorf("14 mm became %v", got)
	}
	if got := *all["rotor_speed_rpm"].Max; got != 900 {
		t.Errorf("900 rpm became %v", got)
	}
}

// A display may show degrees below zero, with either minus.
func TestADisplayMaySayMinus(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "setup", standing)
	ph.view("setup")
	ph.until("the form is there", `document.getElementById('set-finder')`)
	for i, typed := range []string{"-3,5", "−4"} {
		ph.do(`(document.querySelector('#set-finder [name=signal]').value = 'pitch_deg', document.querySelector('#set-finder [name=signal]').dispatchEvent(new Event('change', { bubbles: true })), document.querySelector('#set-finder [name=value]').value = ` + quoted(typed) + `)`)
		ph.tap("#set-finder button")
		ph.until("it is noted", `document.querySelector('#set-finder [name=value]').value === '' && !document.querySelector('#set-finder button').disabled`)
		p.mu.Lock()
		if want := []float64{-3.5, -4}[i]; len(p.values) != i+1 || math.Abs(p.values[i]-want) > 1e-9 {
			t.Errorf("%s came as %v", typed, p.values)
		}
		p.mu.Unlock()
	}
	if got := ph.text("#set-finder .found h3"); got != "Pitch, readings: 2" {
		t.Errorf("what was found is headed %q", got)
	}
	// The number pads of some phones have no minus.
	if got := ask[string](ph, `document.querySelector('#set-finder [name=value]').inputMode`); got != "text" {
		t.Errorf("the keys are those of %q", got)
	}
}

// The view says that what was entered is kept.
func TestWhatWasTypedInSetUpOutlivesAFewMetres(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "setup", standing)
	ph.view("setup")
	ph.until("the form is there", `document.getElementById('set-crop')`)
	ph.do(`document.querySelector('#set-crop [name=field]').value = 'Upper Forty'`)
	p.set(scene{activity: standing.activity, kmh: 1.2})
	ph.until("it closes when the machine moves", `document.getElementById('view-setup').hidden`)
	p.set(standing)
	ph.until("it opens again", `!document.getElementById('view-setup').hidden`)
	time.Sleep(300 * time.Millisecond)
	if got := ask[string](ph, `document.querySelector('#set-crop [name=field]').value`); got != "Upper Forty" {
		t.Errorf("the field is %q", got)
	}
	// Who comes back to the view sees what is set now.
	now := setup
	now.Field = "Lower Forty"
	p.board.SetSetup(now)
	ph.view("now")
	ph.view("setup")
	ph.until("the form is new", `document.querySelector('#set-crop [name=field]')?.value === 'Lower Forty'`)
}

// A computer without a clock of its own knows no date until it is told one.
func TestAVerdictIsToldWithoutADate(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", standing)
	p.down()
	p.undated = true
	p.up()
	p.note(advise.Note{At: 60e9, Kind: advise.VerdictGiven, Verdict: &better})
	ph := newPhone(t, tall)
	ph.open(p)
	ph.until("the ribbon is drawn", `document.querySelector('#plot svg')`)
	if got := ph.text("#verdict"); got != "" {
		t.Errorf("20 minutes later it still says %q", got)
	}
	p.down()
	p.up()
	ph.do(`(globalThis.old = 1, location.reload())`)
	ph.until("live data are shown", `!globalThis.old && document.getElementById('link')?.textContent === 'Live'`)
	time.Sleep(1200 * time.Millisecond)
	p.note(advise.Note{Kind: advise.VerdictGiven, Verdict: &better})
	ph.until("the first of a run is told", `document.getElementById('verdict').innerText.includes('separation loss fell')`)
}

// What is over does not take the word from what has just come, and of what comes
// at once the most urgent is felt.
func TestAnAlertIsSaidThoughAnotherEnds(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.do(`(globalThis.felt = [], navigator.vibrate = (v) => { felt.push(Math.max(...v)); return true; })`)
	p.event(overload)
	ph.until("it is said", `document.getElementById('urgent').textContent === `+quoted("Attention: "+overload.Text))
	// The page hears of both in one breath.
	p.silence(true, false)
	p.event(ended(overload))
	p.event(rotor)
	p.event(silent)
	p.event(spare)
	p.note(opened(faster))
	p.silence(false, false)
	ph.until("what has come is said", `document.getElementById('urgent').textContent === `+quoted("Urgent: "+rotor.Text+". Attention: "+silent.Text))
	ph.until("and the advice", `document.getElementById('polite').textContent.startsWith('Advice')`)
	if got := ask[[]float64](ph, `felt`); len(got) < 2 || got[1] != 500 || got[len(got)-1] != 500 {
		t.Errorf("felt: %v", got)
	}
}

// The first tap after a reload is often on the button that says Silent.
func TestTheSoundButtonMeansWhatItSays(t *testing.T) {
	t.Parallel()
	_, ph := paired(t, "answer", cutting)
	ph.do(`(globalThis.old = 1, localStorage.setItem('sound', 'on'), location.reload())`)
	ph.until("it is silent until a touch", `!globalThis.old && document.getElementById('sound')?.innerText.includes('Silent') && document.getElementById('link').textContent === 'Live'`)
	ph.finger("#sound", 300*time.Millisecond)
	ph.until("it sounds", `document.getElementById('sound').innerText.includes('Sound')`)
	time.Sleep(600 * time.Millisecond)
	if got := ph.text("#sound"); got != "Sound" {
		t.Errorf("the button says %q", got)
	}
	// Any other touch does it as well, and the first one.
	ph.do(`(globalThis.old = 1, location.reload())`)
	ph.until("it is silent again", `!globalThis.old && document.getElementById('sound')?.innerText.includes('Silent') && document.getElementById('link').textContent === 'Live'`)
	ph.finger("#numbers", 50*time.Millisecond)
	ph.until("it sounds", `document.getElementById('sound').innerText.includes('Sound')`)
}

// A phone whose storage is full still sounds and still turns dark.
func TestAFullStorageStopsNothing(t *testing.T) {
	t.Parallel()
	_, ph := paired(t, "answer", cutting)
	ph.do(`(Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }, 0)`)
	ph.tap("#theme")
	ph.until("it is night", `document.documentElement.dataset.theme === 'night'`)
	ph.tap("#sound")
	ph.until("it sounds", `document.getElementById('sound').innerText.includes('Sound')`)
}

// Nobody has heard a put-back that could not be sent.
func TestAPutBackThatCannotBeSentIsSaidSo(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	p.note(opened(faster))
	ph.advice()
	ph.tap("#answers .main")
	ph.until("the change is watched", `!document.getElementById('trial').hidden`)
	ph.do(`(globalThis.reach = fetch, globalThis.fetch = () => Promise.reject(new TypeError('away')))`)
	ph.tap("#put-back")
	ph.until("it says so", `document.getElementById('trial').innerText.startsWith('Not sent.')`)
	ph.do(`globalThis.fetch = reach`)
	ph.tap("#put-back")
	ph.until("it is told", `document.getElementById('trial').hidden`)
	if told := p.told(2); told[1].Answer == nil || told[1].Answer.Reply != "put-back" {
		t.Errorf("the program was told %+v", told)
	}
}

// A page that stays open for days is that of the program that runs.
func TestAnotherVersionBringsItsOwnPage(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.do(`globalThis.sameLife = 1`)
	p.down()
	p.version = "1.0.0"
	p.up()
	ph.within(15*time.Second, "the page is loaded anew", `!globalThis.sameLife && document.getElementById('link')?.textContent === 'Live'`)
}

// A day of lost connections leaves nothing behind.
func TestLostConnectionsLeaveNoListeners(t *testing.T) {
	ph := modules(t)
	left := ask[float64](ph, `(async () => {
		let n = 0; const add = globalThis.addEventListener, remove = globalThis.removeEventListener, every = globalThis.setInterval, end = globalThis.clearInterval, reach = globalThis.fetch;
		globalThis.addEventListener = (...a) => { if (a[0] === 'online') n++; return add.apply(globalThis, a); };
		globalThis.removeEventListener = (...a) => { if (a[0] === 'online') n--; return remove.apply(globalThis, a); };
		globalThis.setInterval = (...a) => { n++; return every(...a); };
		globalThis.clearInterval = (...a) => { n--; return end(...a); };
		let times = 0;
		globalThis.fetch = async (url) => { if (url !== '/api/v1/stream') return reach(url); if (++times < 3) throw new TypeError('away'); return { status: 401 }; };
		await api_.listen({ lost() {}, refused() {}, heard() {}, event() {} });
		return n; })()`)
	if left != 0 {
		t.Errorf("%v are left of three connections", left)
	}
}

// A phone that may do more than before may answer what is open already.
func TestAPhonePairedAgainAnswersWhatIsOpen(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "look", standing)
	p.note(opened(faster))
	ph.until("the advice is shown, to look at", `document.getElementById('answers').innerText.includes('may look only')`)
	p.may("answer")
	ph.do(`location.hash = '#pair=` + pairCode + `'`)
	ph.until("the code is filled in", `document.getElementById('pair-code').value === '`+pairCode+`'`)
	ph.tap("#pair button")
	ph.until("it can be answered", `document.querySelector('#answers .main')?.checkVisibility()`)
}
