package phonetest

import (
	"strings"
	"testing"
	"time"

	"chaffinch/detect"
	"chaffinch/detect/advise"
)

func TestAPhoneIsPairedByACode(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", cutting)
	ph := newPhone(t, small)
	ph.do(`location.href = ` + quoted(p.url()))
	ph.until("the page asks for a code", `document.querySelector('#view-pair:not([hidden])')`)
	if ph.text("#nav") != "" {
		t.Error("views are offered to a phone that is not paired")
	}
	ph.do(`document.getElementById('pair-code').value = '000000'`)
	ph.tap("#pair button")
	ph.until("the refusal is told with a remedy", `document.querySelector('#pair .answer').textContent === 'That is not the code. Look at the computer’s screen again.'.replace('’', "'")`)
	ph.open(p)
	if got := ask[string](ph, `location.hash`); got != "" {
		t.Errorf("the code stays in the address: %s", got)
	}
	if got := ph.text("#machine"); got != "West 2" {
		t.Errorf("the machine is called %q", got)
	}
}

// A phone that may only answer gets a code that lets it do more, typed or by the
// other phone's picture, without being forgotten first.
func TestAPairedPhoneIsPairedAgainToDoMore(t *testing.T) {
	t.Parallel()
	for _, how := range []string{"typed", "by its address"} {
		t.Run(how, func(t *testing.T) {
			p := serve(t, "answer", standing)
			ph := newPhone(t, small)
			ph.open(p)
			ph.view("setup")
			ph.until("it says what is needed", `document.getElementById('view-setup').innerText.includes('needs a code')`)
			p.may("setup")
			if how == "typed" {
				ph.tap("#view-setup button.main")
				ph.until("it asks for the code", `!document.getElementById('view-pair').hidden && document.getElementById('view-setup').hidden`)
				ph.view("now")
				ph.until("who thinks better of it goes on", `document.getElementById('view-pair').hidden && !document.getElementById('view-now').hidden`)
				ph.view("setup")
				ph.tap("#view-setup button.main")
				ph.do(`document.getElementById('pair-code').value = ` + quoted(pairCode))
			} else {
				ph.do(`location.hash = '#pair=` + pairCode + `'`)
				ph.until("the code is filled in", `!document.getElementById('view-pair').hidden && document.getElementById('pair-code').value === '`+pairCode+`'`)
			}
			ph.tap("#pair button")
			ph.until("it is paired", `document.getElementById('view-pair').hidden`)
			ph.view("setup")
			ph.until("it may set up", `document.getElementById('set-crop')`)
		})
	}
}

func TestLiveDataAreShown(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", cutting)
	for _, s := range screens {
		t.Run(s.name, func(t *testing.T) {
			ph := newPhone(t, s)
			ph.open(p)
			ph.says("All well")
			got := strings.Join(strings.Fields(ph.text("#numbers")), " ")
			if want := "Full 82 % Feed t/h 28 ±2 Load 74 % Loss 24"; got != want {
				t.Errorf("the numbers are %q, want %q", got, want)
			}
			ph.until("the ribbon is drawn", `document.querySelector('#plot .work')`)
			if told := ask[string](ph, `document.getElementById('plot').ariaLabel`); !strings.Contains(told, "mostly") {
				t.Errorf("the ribbon says %q to who cannot see it", told)
			}
		})
	}
}

func TestWhatIsNotKnownIsNoNumber(t *testing.T) {
	t.Parallel()
	_, ph := paired(t, "answer", learning)
	ph.says("No alarm, fullness not known")
	if got := strings.Join(strings.Fields(ph.text("#numbers")), " "); got != "Full not yet Feed t/h 28 ±2 Load 78 % Loss no data" {
		t.Errorf("the numbers are %q", got)
	}
}

func TestAnAlertComesAndGoes(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.says("All well")
	p.event(rotor)
	ph.says("Rotor down 9\u00a0%: slow down now")
	if got := ph.text("#rank"); got != "Urgent" {
		t.Errorf("the word beside the colour is %q", got)
	}
	if got := ask[string](ph, `document.getElementById('urgent').textContent`); got != "Urgent: "+rotor.Text {
		t.Errorf("a screen reader hears %q", got)
	}
	ph.tap("#seen")
	ph.until("it is seen", `document.getElementById('rank').textContent === 'Seen'`)
	ph.until("the button is gone", `document.getElementById('seen').hidden`)
	if told := p.told(1); len(told) != 1 || told[0].Acknowledge == nil || told[0].Acknowledge.Event != "e7-41" {
		t.Errorf("the program was told %+v", told)
	}
	p.event(ended(rotor))
	ph.says("All well")
}

// Seen is what was seen: when it becomes more urgent it calls again.
func TestWhatWasSeenCallsAgainWhenItIsWorse(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", cutting)
	ph := newPhone(t, small)
	ph.open(p)
	worse := rotor
	rotor := rotor
	rotor.Priority = detect.Medium
	p.event(rotor)
	ph.until("it is shown", `document.getElementById('rank').textContent === 'Attention'`)
	ph.tap("#seen")
	ph.until("it is seen", `document.getElementById('rank').textContent === 'Seen'`)
	worse.Phase = detect.Changed
	p.event(worse)
	ph.until("it calls again", `document.getElementById('rank').textContent === 'Urgent' && !document.getElementById('seen').hidden`)
}

// What is answered on one phone, or over MQTT, is seen on every other.
func TestWhatAnotherPhoneHasSeenIsSeen(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.says("All well")
	p.event(rotor)
	ph.until("it is shown", `document.getElementById('rank').textContent === 'Urgent'`)
	known := rotor
	known.Phase, known.Acknowledged = detect.Changed, true
	p.event(known)
	ph.until("it is seen", `document.getElementById('rank').textContent === 'Seen'`)
	ph.until("the button is gone", `document.getElementById('seen').hidden`)
}

func TestTheMostUrgentComesFirst(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	p.event(silent)
	ph.says(unbroken(silent.Text))
	p.event(rotor)
	ph.says("Rotor down 9\u00a0%: slow down now")
	if got := ph.text("#chips"); got != "+1" {
		t.Errorf("of the other one is told %q", got)
	}
	p.set(standing)
	ph.until("standing, both can be read", `document.getElementById('others').innerText.includes(`+quoted(unbroken(silent.Text))+`)`)
}

func TestAPromptIsAnsweredWithOneTap(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", scene{activity: cutting.activity, kmh: 5.4, fullness: 63})
	for _, s := range screens {
		t.Run(s.name, func(t *testing.T) {
			ph := newPhone(t, s)
			ph.open(p)
			p.note(opened(faster))
			ph.until("the advice is shown", `!document.getElementById('card').hidden`)
			ph.says("Machine only 63\u00a0% full")
			if ph.text("#reason") != "" {
				t.Error("reasons are shown unasked while the machine moves")
			}
			time.Sleep(450 * time.Millisecond) // a card that has just come up is not answered
			before := len(p.told(0))
			ph.tap("#answers .main")
			ph.until("the card is gone", `document.getElementById('card').hidden`)
			told := p.told(before + 1)
			if len(told) != before+1 || told[before].Answer == nil || told[before].Answer.Reply != "done" || told[before].Answer.Prompt != "p7-3" {
				t.Fatalf("the program was told %+v", told)
			}
			ph.tap("#put-back")
			ph.until("it is told that it was put back", `document.getElementById('trial').hidden`)
			if told := p.told(before + 2); told[before+1].Answer.Reply != "put-back" {
				t.Errorf("the program was told %+v", told)
			}
		})
	}
}

func TestAFingerOnItsWayAnswersNothing(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	ph.script(`globalThis.touched = false; new MutationObserver((_, observer) => { const b = document.querySelector('#answers .main'); if (!b) return;
		observer.disconnect(); const r = b.getBoundingClientRect(); b.dispatchEvent(new MouseEvent('click', { bubbles: true, detail: 1, clientX: r.x, clientY: r.y })); touched = true; }).observe(document.body, { childList: true, subtree: true });`)
	p.note(opened(faster))
	ph.until("it is touched the moment it is there", `touched`)
	time.Sleep(300 * time.Millisecond)
	if told := p.told(0); len(told) != 0 {
		t.Errorf("the program was told %+v", told)
	}
}

func TestWhoMayLookOnlyIsOfferedNoAnswers(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "look", cutting)
	p.event(rotor)
	ph.says("Rotor down 9\u00a0%: slow down now")
	p.set(standing)
	p.note(opened(faster))
	ph.until("the advice is shown", `!document.getElementById('card').hidden`)
	if got := ask[float64](ph, `document.querySelectorAll('#answers button, #seen:not([hidden])').length`); got != 0 {
		t.Errorf("%v buttons are offered", got)
	}
	ph.view("checks")
	ph.until("the view says so", `document.getElementById('view-checks').innerText.includes('may look only')`)
}

func TestWhileMovingOnlyNowIsOffered(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "setup", cutting)
	for _, name := range []string{"checks", "day", "setup"} {
		ph.view(name)
		ph.until("it says to stop", `document.querySelector('#view-stop:not([hidden])') && document.getElementById('view-`+name+`').hidden`)
	}
	p.set(standing)
	ph.until("it opens by itself at a standstill", `document.querySelector('#set-crop') && !document.getElementById('view-setup').hidden`)
	ph.view("checks")
	ph.tap("#box-tank summary")
	ph.tap("#check-tank [name=broken][value=some] + span")
	p.set(scene{activity: standing.activity, kmh: 1.2})
	ph.until("it closes when the machine moves", `document.getElementById('view-checks').hidden`)
	p.set(standing)
	ph.until("what was entered is kept", `!document.getElementById('view-checks').hidden && document.querySelector('[name=broken][value=some]').checked`)
}

func TestAGroundCountIsEntered(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", standing)
	for _, s := range screens {
		t.Run(s.name, func(t *testing.T) {
			ph := newPhone(t, s)
			ph.open(p)
			p.note(advise.Note{Kind: advise.CheckAsked, Check: &groundWanted})
			ph.view("checks")
			ph.until("it is wanted", `document.querySelector('#box-ground[open][data-due]')`)
			if caution := ph.text("#checks-caution"); !strings.Contains(caution, "engine off, key out") || !strings.Contains(caution, "Wait until all has stopped") {
				t.Errorf("the caution is %q", caution)
			}
			add := func(place string, tens, ones int) {
				for range tens {
					ph.tap(`[data-place=` + place + `] .stepper button:nth-of-type(4)`)
				}
				for range ones {
					ph.tap(`[data-place=` + place + `] .stepper button:nth-of-type(3)`)
				}
			}
			add("header", 1, 2)
			add("behind", 9, 0)
			if got := ph.text("#check-ground .sum"); got != "102 kernels: enough" {
				t.Errorf("the sum is %q", got)
			}
			ph.tap("#check-ground button[type=submit]")
			ph.until("what is missing is named", `document.querySelector('#check-ground .answer[data-wrong]')?.textContent.startsWith('Give the width of the straw band.')`)
			ph.do(`document.querySelector('[name=discharge_width_m]').value = '1,8'`)
			ph.tap("#check-ground [name=unthreshed_behind][value=little] + span")
			ph.tap("#check-ground button[type=submit]")
			ph.until("the result is shown", `document.querySelector('#check-ground .answer td')`)
			told := p.told(1)
			g := told[len(told)-1].Check.Ground
			if g == nil || len(g.Places) != 2 || g.Places[0].Where != "header" || g.Places[0].Kernels != 12 || g.Places[0].AreaM2 != 0.25 ||
				g.Places[1].Where != "behind" || g.Places[1].Kernels != 90 || g.DischargeWidthM != 1.8 || g.UnthreshedBehind != "little" {
				t.Fatalf("the program was told %+v", g)
			}
			// By hand: (90 - 12) / 0.25 m2 = 312 kernels/m2 on a fifth of the width is
			// 62.4, times 35 g / 100 is 21.84 kg/ha; sqrt(90 + 12) / 0.25 / 5 * 0.35 is 2.83.
			if got := ph.text("#check-ground .answer table"); !strings.Contains(got, "22 ±6 kg/ha") {
				t.Errorf("the result is %q", got)
			}
		})
	}
}

func TestSamplesAreEntered(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", standing)
	ph := newPhone(t, small)
	ph.open(p)
	ph.view("checks")
	ph.tap("#box-tank summary")
	ph.tap("#check-tank button[type=submit]")
	ph.until("an empty form is not sent", `document.querySelector('#check-tank .answer').textContent === 'Choose an answer first.'`)
	ph.tap("#check-tank [name=broken][value=little] + span")
	ph.tap("#check-tank [name=trash][value=much] + span")
	ph.tap("#check-tank button[type=submit]")
	ph.until("it is noted", `document.querySelector('#check-tank .answer').textContent.startsWith('Noted')`)
	ph.tap("#box-returns summary")
	ph.tap("#check-returns [value='clean grain'] + span")
	ph.tap("#check-returns button[type=submit]")
	ph.until("it is noted", `document.querySelector('#check-returns .answer').textContent.startsWith('Noted')`)
	told := p.told(2)
	if len(told) != 2 || told[0].Check.Tank == nil || told[0].Check.Tank.Trash != "much" || told[0].Check.Tank.Broken != "little" || told[1].Check.Returns == nil || told[1].Check.Returns.Mostly != "clean grain" {
		t.Errorf("the program was told %+v", told)
	}
}

func TestTheMachineIsSetUp(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "setup", standing)
	ph.view("setup")
	ph.until("the form is there", `document.getElementById('set-crop')`)
	ph.do(`document.querySelector('[name=crop]').value = 'canola'`)
	ph.tap("#set-crop button")
	ph.until("it is saved", `document.querySelector('#set-crop .answer').textContent === 'Saved.'`)
	ph.do(`document.querySelector('[name="rotor_speed_rpm.max"]').value = '900'`)
	ph.tap("#set-limits button")
	ph.until("it is saved", `document.querySelector('#set-limits .answer').textContent === 'Saved.'`)
	ph.tap("#set-levers [value=concave]")
	ph.tap("#set-levers button")
	ph.until("it is saved", `document.querySelector('#set-levers .answer').textContent === 'Saved.'`)
	ph.do(`document.querySelector('#set-targets [name=returns]').value = '40'`)
	ph.tap("#set-targets button")
	ph.until("it is saved", `document.querySelector('#set-targets .answer').textContent === 'Saved.'`)
	told := p.told(4)
	if s := told[0].Setup; s.Crop == nil || *s.Crop != "canola" {
		t.Errorf("crop: %+v", s)
	}
	if s := told[1].Setup; *s.Limits["rotor_speed_rpm"].Max != 900 || *s.Limits["ground_speed_kmh"].Max != 7.5 || len(s.Limits) != 2 {
		t.Errorf("limits: %+v", s)
	}
	if s := told[2].Setup; strings.Join(s.SeatAdjustable, " ") != "rotor_speed concave fan_speed" {
		t.Errorf("levers: %v", s.SeatAdjustable)
	}
	if s := told[3].Setup; len(s.Targets) != 1 || s.Targets["returns"] != 40 {
		t.Errorf("targets: %v", s.Targets)
	}
	ph.do(`document.querySelector('#set-finder [name=value]').value = '820'`)
	ph.tap("#set-finder button")
	ph.until("what fits is shown", `document.querySelector('.found').innerText.includes('PGN 65280')`)
	if got := ph.text("#view-setup table"); !strings.Contains(got, "Rotor speed") || !strings.Contains(got, "not heard") {
		t.Errorf("heard: %q", got)
	}
}

func TestPhonesAreAddedAndForgotten(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "setup", standing)
	ph.view("setup")
	ph.until("phones are listed", `document.querySelector('#set-phones')?.innerText.includes('Tablet in the shed')`)
	if n := ask[float64](ph, `document.querySelectorAll('#set-phones img').length`); n != 0 {
		t.Error("a code is shown that nobody asked for")
	}
	ph.tap("#set-phones li button")
	if got := ph.text("#set-phones li button"); got != "Sure?" || p.forgotten() != "" {
		t.Errorf("after one tap the button says %q, and %q is forgotten", got, p.forgotten())
	}
	ph.tap("#set-phones li button")
	ph.until("it is gone", `!document.querySelector('#set-phones').innerText.includes('Tablet')`)
	if p.forgotten() != "d2" {
		t.Errorf("forgotten is %q", p.forgotten())
	}
	ph.tap("#set-phones button[type=submit]")
	ph.until("a code is shown, and as a picture", `document.querySelector('#set-phones .big')?.textContent === '105577' && document.querySelector('#set-phones img').naturalWidth > 0`)
}

func TestTheDayIsTold(t *testing.T) {
	t.Parallel()
	_, ph := paired(t, "answer", standing)
	ph.view("day")
	ph.until("the day is there", `document.querySelectorAll('#thread li').length === 3`)
	if got := ph.text("#thread"); !strings.Contains(got, "Attention Engine load 99 %: ease ground speed") || !strings.Contains(got, "your own change") {
		t.Errorf("the day is %q", got)
	}
	ph.until("what can be downloaded is listed", `document.getElementById('downloads').innerText === 'Samples of this shift'`)
}

// A loss sensor's level is no share of the grain, and moisture is told as finely as
// a cab display does, or nobody can compare the two. What is not well with the
// program is told with it.
func TestWhatIsHeardHasItsUnits(t *testing.T) {
	t.Parallel()
	_, ph := paired(t, "setup", standing)
	ph.view("setup")
	ph.until("the signals are listed", `document.querySelector('table[aria-label=Signals] tr')`)
	heard := ph.text("table[aria-label=Signals]")
	for _, want := range []string{"24 of 100", "0.4 %", "14.2 %", "2043 rpm"} {
		if !strings.Contains(heard, want) {
			t.Errorf("%q is not among %q", want, heard)
		}
	}
	if got := ph.text("#set-finder"); !strings.Contains(got, "Separation loss (of 100)") {
		t.Errorf("to choose from: %q", got)
	}
}

// Yesterday's alerts are not taken for today's.
func TestTheDayIsDated(t *testing.T) {
	t.Parallel()
	_, ph := paired(t, "answer", standing)
	ph.do(`(globalThis.reach = fetch, globalThis.fetch = (url, o) => (String(url).endsWith('/day') ? Promise.resolve(new Response(JSON.stringify({ items: [
		{ time: new Date().toISOString(), kind: 'note', text: 'of today' }, { time: '2024-09-05T12:00:00Z', kind: 'note', text: 'of old' }, { time: '2024-09-05T11:00:00Z', kind: 'note', text: 'of old too' }] }))) : reach(url, o)))`)
	ph.view("day")
	ph.until("the day is there", `document.querySelectorAll('#thread time').length === 3`)
	if got := ph.text("#thread"); strings.Count(got, "5 September 2024") != 1 || strings.Index(got, "5 September 2024") < strings.Index(got, "of today") || strings.Index(got, "5 September 2024") > strings.Index(got, "of old") {
		t.Errorf("the day is %q", got)
	}
}

func TestUnitsOfTheUS(t *testing.T) {
	t.Parallel()
	p := serve(t, "setup", cutting)
	p.units = "us"
	ph := newPhone(t, tall)
	ph.open(p)
	if got := strings.Join(strings.Fields(ph.text("#n-feed")), " "); got != "ton/h 31 ±2" { // 28.4 t/h, a short ton is 0.907185 t
		t.Errorf("feed: %q", got)
	}
	p.note(opened(raise))
	ph.resize(small)
	ph.until("the advice is shown", `!document.getElementById('card').hidden`)
	ph.script(measures)
	everythingFits(t, sight{name: "now-us"}, small, ph)
	p.set(standing)
	ph.view("setup")
	ph.until("limits are in mph", `document.querySelector('[name="ground_speed_kmh.max"]')?.value === '4.66'`) // 7.5 km/h
	ph.tap("#set-limits button")
	ph.until("it is saved", `document.querySelector('#set-limits .answer').textContent === 'Saved.'`)
	if max := *p.told(1)[0].Setup.Limits["ground_speed_kmh"].Max; max < 7.49 || max > 7.51 {
		t.Errorf("7.5 km/h came back as %v", max)
	}
}
