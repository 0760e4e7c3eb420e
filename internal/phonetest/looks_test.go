package phonetest

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

//go:embed testdata/axe.min.js.gz
var axeZipped []byte

// axeVersion is that of the checker in testdata.
const axeVersion = "4.14.1"

func axe(t *testing.T) string {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(axeZipped))
	if err != nil {
		t.Fatal(err)
	}
	source, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(source)
}

// measures are functions that look at what is shown. CSS pixels.
const measures = `
globalThis.shown = (e) => e.checkVisibility({ opacityProperty: false, visibilityProperty: true }) && !e.closest('.unseen, .store, .skip');
globalThis.targets = () => [...document.querySelectorAll('button, a, select, summary, input:not([type=radio]):not([type=checkbox]), .choice, .tick')]
  .filter(shown).map((e) => ({ name: (e.id || e.name || e.innerText).slice(0, 30), w: e.getBoundingClientRect().width, h: e.getBoundingClientRect().height }));
globalThis.texts = () => {
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !shown(e)) continue;
    const range = document.createRange();
    range.selectNodeContents(walk.currentNode);
    const r = range.getBoundingClientRect();
    if (r.width) out.push({ e, text: walk.currentNode.data.trim(), r });
  }
  return out;
};
// WCAG 2.2, "contrast ratio" and "relative luminance".
const parts = (c) => c.match(/[\d.]+/g).map(Number);
const light = (c) => { const [r, g, b] = parts(c).map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
globalThis.ground = (e) => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor; if (parts(c).length < 4 || parts(c)[3] > 0) return c; } return 'rgb(255,255,255)'; };
globalThis.contrast = (a, b) => { const [x, y] = [light(a), light(b)]; return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05); };
globalThis.weakest = () => texts().map(({ e, text }) => ({ text: text.slice(0, 40), ratio: contrast(getComputedStyle(e).color, ground(e)) })).reduce((a, b) => (b.ratio < a.ratio ? b : a));
`

// checks are what every sight is held to, on every screen.
var checks = []struct {
	name string
	hold func(*testing.T, sight, screen, *phone)
}{
	{"targets of 12 mm", targetsAreForGloves},
	{"everything fits", everythingFits},
	{"NHTSA words", glanceAndTask},
	{"ISO 15008 characters", charactersAreLarge},
}

// Every sight, by day and night and on every screen.
func TestSights(t *testing.T) {
	t.Parallel()
	source := axe(t)
	if !strings.Contains(source[:40], axeVersion) {
		t.Fatalf("testdata is not axe %s", axeVersion)
	}
	for _, sg := range sights {
		t.Run(sg.name, func(t *testing.T) {
			t.Parallel()
			p := serve(t, "setup", sg.scene)
			ph := newPhone(t, tall)
			ph.open(p)
			sg.show(ph, p)
			needsFont(t, ph)
			ph.script(measures)
			ph.script(source)
			for _, night := range []bool{false, true} {
				ph.night(night)
				t.Run(fmt.Sprintf("axe night %v", night), func(t *testing.T) { axeFindsNothing(t, ph) })
				t.Run(fmt.Sprintf("contrast night %v", night), func(t *testing.T) { contrastIsAAA(t, ph) })
			}
			for _, s := range slices.Concat(screens, tablets) {
				ph.resize(s)
				ph.do(`new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)))`)
				for _, c := range checks {
					t.Run(c.name+" "+s.name, func(t *testing.T) { c.hold(t, sg, s, ph) })
				}
			}
		})
	}
}

// needsFont: what fits depends on the letters. Noto Sans is a little wider than
// the fonts of phones; what Chromium takes without any would be far wider.
func needsFont(t *testing.T, ph *phone) {
	t.Helper()
	if ask[bool](ph, `((c) => { const w = (f) => { c.font = f; return c.measureText('Wim').width; }; return w('40px "Noto Sans", monospace') !== w('40px monospace'); })(document.createElement('canvas').getContext('2d'))`) {
		return
	}
	if os.Getenv("CHAFFINCH_REQUIRE") == "1" {
		t.Fatal("required, but the font Noto Sans is not installed (Debian package fonts-noto-core)")
	}
	t.Skip("NOT CHECKED: the font Noto Sans is not installed (Debian package fonts-noto-core)")
}

// The accessibility checker axe-core finds nothing, with the rules of WCAG 2.2
// up to AAA and its own good practice.
func axeFindsNothing(t *testing.T, ph *phone) {
	for _, v := range ph.list(`axe.run(document, {
		runOnly: ['wcag2a', 'wcag2aa', 'wcag2aaa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
		rules: { 'color-contrast-enhanced': { enabled: true }, 'target-size': { enabled: true } },
	}).then((r) => r.violations.flatMap((v) => v.nodes.map((n) => v.id + ': ' + n.html.slice(0, 120) + ' ' + n.failureSummary))
		.concat(r.passes.length < 10 ? ['only ' + r.passes.length + ' rules applied'] : []))`) {
		t.Error(v)
	}
}

// WCAG 2.2, 1.4.6 (AAA): 7:1, here for large text too. Computed by ourselves
// beside axe, which leaves out what it cannot decide.
func contrastIsAAA(t *testing.T, ph *phone) {
	// #777 on white is known for its 4.48, just under AA.
	if r := ask[float64](ph, `contrast('rgb(119,119,119)', 'rgb(255,255,255)')`); math.Abs(r-4.48) > 0.005 {
		t.Fatalf("#777 on white is %v", r)
	}
	type weak struct {
		Text  string  `json:"text"`
		Ratio float64 `json:"ratio"`
	}
	w := ask[weak](ph, `weakest()`)
	if w.Ratio < 7 {
		t.Errorf("%q has %.2f:1", w.Text, w.Ratio)
	}
	t.Logf("the weakest is %q with %.1f:1", w.Text, w.Ratio)
}

// touchPx is 12 mm, a target for a gloved finger, on a phone's screen: browsers
// for Android take 160 CSS px for an inch there, and not the 96 of a desktop.
const touchPx = 12 / 25.4 * 160

func targetsAreForGloves(t *testing.T, _ sight, _ screen, ph *phone) {
	type target struct {
		Name string  `json:"name"`
		W    float64 `json:"w"`
		H    float64 `json:"h"`
	}
	all := ask[[]target](ph, `targets()`)
	if len(all) < 4 {
		t.Errorf("only %d targets were found", len(all))
	}
	for _, x := range all {
		if x.W < touchPx-0.5 || x.H < touchPx-0.5 {
			t.Errorf("%s is %.0f by %.0f px, less than %.1f", x.Name, x.W, x.H, touchPx)
		}
	}
}

// everythingFits: nothing is cut off or wider than the screen, and on Now
// nothing has to be scrolled to while the machine moves.
func everythingFits(t *testing.T, sg sight, _ screen, ph *phone) {
	for _, over := range ph.list(`texts().filter(({ r }) => r.left < -0.5 || r.right > innerWidth + 0.5).map(({ text }) => text)
		.concat([...document.querySelectorAll('#glance, #glance > div, #card, button, .choice span, #numbers div, #nav a')].filter((e) => shown(e) && e.scrollWidth > e.clientWidth + 1).map((e) => 'in its box: ' + e.innerText))`) {
		t.Errorf("does not fit: %s", over)
	}
	if sg.moving() {
		if over := ask[float64](ph, `document.getElementById('main').scrollHeight - document.getElementById('main').clientHeight`); over > 0 {
			t.Errorf("%v px have to be scrolled to", over)
		}
	}
}

// moving tells whether a sight is what a driver sees under way.
func (sg sight) moving() bool { return strings.HasPrefix(sg.name, "now-") && sg.name != "now-standing" }
