package phonetest

import (
	"fmt"
	"math"
	"testing"

	"chaffinch/detect"
	"chaffinch/detect/advise"
)

// Figures of NHTSA, Visual-Manual Driver Distraction Guidelines, Phase 1 (78 FR
// 24817, 2013): a single glance off the road of 2 s at most, 12 s for a whole
// task. A combine is no road car; the figures are kept all the same.
//
// Silent reading does 238 words a minute (Brysbaert, Journal of Memory and
// Language 109, 2019): so many words are read in a glance, and in a task.
const (
	wordsAGlance = 2 * 238 / 60
	wordsATask   = 12 * 238 / 60
)

// words counts what has a letter or a digit in it.
const words = `((s) => s.split(/\s+/).filter((w) => /[\p{L}\p{N}]/u.test(w)).length)`

// The sentence is read in one glance unless it is an alarm's own text, which
// may have twelve words. All that stands on Now while the machine moves,
// labels and numbers included, is read within the time of a task.
func glanceAndTask(t *testing.T, sg sight, _ screen, ph *phone) {
	if !sg.moving() {
		return
	}
	sentence := ask[int](ph, words+`(document.getElementById('sentence').innerText)`)
	all := ask[int](ph, words+`(texts().map(({ text }) => text).join(' '))`)
	t.Logf("%d words in the sentence, %d in all", sentence, all)
	limit := wordsAGlance
	if sg.name == "now-longest" {
		limit = 12 // two glances
	}
	if sentence > limit {
		t.Errorf("the sentence has %d words, more than %d", sentence, limit)
	}
	if all > wordsATask {
		t.Errorf("there are %d words, more than %d", all, wordsATask)
	}
}

// An answer takes one tap, an acknowledgement one: flow_test.go does them. Here
// the worst of all at once: an alarm of twelve words over a prompt of twelve.
func TestNHTSATaskAtItsWorst(t *testing.T) {
	t.Parallel()
	p := serve(t, "answer", cutting)
	ph := newPhone(t, small)
	ph.open(p)
	ph.script(measures)
	p.note(opened(raise))
	p.event(silent)
	p.event(longest)
	p.event(spare)
	p.note(advise.Note{Kind: advise.VerdictGiven, Verdict: &better})
	ph.until("all has come", `document.getElementById('chips').innerText === '+2'`)
	if n := ask[int](ph, words+`(texts().map(({ text }) => text).join(' '))`); n > wordsATask {
		t.Errorf("there are %d words, more than %d: %s", n, wordsATask, ph.text("body"))
	}
	if ph.text("#card") != "" {
		t.Error("advice is shown beside an alarm that nobody has seen")
	}
}

// ISO 15008: characters of 20 minutes of arc are recommended, 16 acceptable, 12
// the least; here at 0.7 m, with capitals of 0.7 of the font's size and 160
// px an inch.
func charactersAreLarge(t *testing.T, sg sight, _ screen, ph *phone) {
	if !sg.moving() {
		return
	}
	px := func(minutes float64) float64 {
		const distance, capital, inch = 700.0, 0.7, 160.0
		return distance * math.Tan(minutes/60*math.Pi/180) / capital / 25.4 * inch
	}
	for _, x := range ph.list(fmt.Sprintf(`texts().filter(({ e }) => parseFloat(getComputedStyle(e).fontSize) < %.1f).map(({ text }) => text)`, px(12))) {
		t.Errorf("%q is smaller than 12 minutes of arc, %.1f px", x, px(12))
	}
	if size := ask[float64](ph, `parseFloat(getComputedStyle(document.getElementById('sentence')).fontSize)`); size < px(16)-1 {
		t.Errorf("the sentence has %.0f px, less than 16 minutes of arc, %.1f px", size, px(16))
	}
}

// ISO 7731: signals of danger lie between 500 and 2500 Hz; and the more urgent
// the longer.
func TestISO7731Tones(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", cutting)
	// The phone tells what it would sound.
	ph.do(`(globalThis.tones = [], globalThis.shakes = [], Object.defineProperty(navigator, 'vibrate', { value: (s) => shakes.push(s) }),
		globalThis.begin = OscillatorNode.prototype.start, OscillatorNode.prototype.start = function (at) { tones.push(this.frequency.value); begin.call(this, at); })`)
	p.event(spare)
	ph.until("it shakes", `shakes.length === 1`)
	if n := ask[float64](ph, `tones.length`); n != 0 {
		t.Errorf("%v tones before a touch allowed any", n)
	}
	ph.tap("#sound")
	ph.until("sound is on", `document.getElementById('sound').innerText === 'Sound'`)
	count := func(e detect.Event) float64 {
		ph.do(`tones.length = 0`)
		p.event(e)
		ph.until("it sounds", `tones.length > 0`)
		return ask[float64](ph, `tones.length`)
	}
	low := count(func() detect.Event { e := spare; e.Number, e.Kind = 60, "feed-drop"; return e }())
	medium := count(overload)
	high := count(rotor)
	if !(low < medium && medium < high) {
		t.Errorf("low has %v tones, medium %v, high %v", low, medium, high)
	}
	if n := ask[float64](ph, `tones.filter((f) => f < 500 || f > 2500).length`); n != 0 {
		t.Errorf("%v tones lie outside", n)
	}
	ph.do(`tones.length = 0`)
	ph.within(patience, "what is urgent is repeated", `tones.length >= 6`)
	ph.tap("#seen")
	ph.until("it is seen", `document.getElementById('seen').dataset.event !== 'e7-41'`)
	ph.do(`tones.length = 0`)
	ph.do(`new Promise((go) => setTimeout(go, 5500))`)
	if n := ask[float64](ph, `tones.length`); n != 0 {
		t.Errorf("%v tones after it was seen", n)
	}
}
