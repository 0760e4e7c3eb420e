package phonetest

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"chaffinch/internal/outside"
)

// screen is the size of a phone's page in CSS pixels.
type screen struct {
	name          string
	width, height int64
}

var (
	small    = screen{"small", 360, 640}
	tall     = screen{"tall", 412, 915}
	sideways = screen{"sideways", 915, 412}
	screens  = []screen{small, tall, sideways}
	tablets  = []screen{{"tablet", 800, 1280}, {"tablet sideways", 1280, 800}}
)

// phone is a page in a browser of its own.
type phone struct {
	t   *testing.T
	ctx context.Context
}

// patience is how long something may take that comes at once when all is well.
const patience = 30 * time.Second

// collector keeps what goes wrong in the page: errors, and breaches of its
// content security policy.
const collector = `
globalThis.wrong = [];
addEventListener('error', (e) => wrong.push(e.message ?? 'cannot load ' + (e.target.src ?? e.target.href)), true);
addEventListener('unhandledrejection', (e) => wrong.push(String(e.reason)));
addEventListener('securitypolicyviolation', (e) => wrong.push('policy: ' + e.violatedDirective + ' ' + e.blockedURI));
`

// browser is one for all phones: to start it takes longer than most tests.
// Each phone has a profile of its own in it.
var browser struct {
	once sync.Once
	ctx  context.Context
	end  context.CancelFunc
	err  error
}

func startBrowser(chromium string) (context.Context, error) {
	browser.once.Do(func() {
		options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
			chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
		alloc, endAlloc := chromedp.NewExecAllocator(context.Background(), options...)
		ctx, end := chromedp.NewContext(alloc)
		browser.ctx, browser.end = ctx, func() { end(); endAlloc() }
		browser.err = chromedp.Do(ctx)
	})
	return browser.ctx, browser.err
}

// newPhone opens a phone. Whatever goes wrong in its page fails the test.
func newPhone(t *testing.T, s screen) *phone {
	t.Helper()
	if testing.Short() {
		t.Skip("NOT CHECKED: the page in a browser takes longer than a short run may")
	}
	parent, err := startBrowser(outside.Tool(t, "chromium"))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := chromedp.NewContext(parent, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	ph := &phone{t: t, ctx: ctx}
	ph.run(call(page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: collector}),
		call(emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true}))
	t.Cleanup(func() {
		for _, w := range ph.list(`globalThis.wrong ?? []`) {
			t.Errorf("in the page: %s", w)
		}
	})
	ph.resize(s)
	return ph
}

// call makes an action of a command of the browser.
func call[P, R any](command cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, command, params)
		return err
	})
}

func (ph *phone) run(actions ...chromedp.Action[chromedp.Void]) {
	ph.t.Helper()
	ctx, cancel := context.WithTimeout(ph.ctx, time.Minute)
	defer cancel()
	if chromedp.FromContext(ph.ctx).Target == nil {
		ctx = ph.ctx // the first run starts the browser, which lives as long as its context
	}
	if err := chromedp.Do(ctx, actions...); err != nil {
		ph.t.Fatal(err)
	}
}

// resize turns the phone, or makes it another one.
func (ph *phone) resize(s screen) {
	ph.t.Helper()
	ph.run(call(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: s.width, Height: s.height, DeviceScaleFactor: 1, Mobile: true}),
		call(emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true}))
}

// night is what the phone itself is set to.
func (ph *phone) night(is bool) {
	ph.t.Helper()
	scheme := "light"
	if is {
		scheme = "dark"
	}
	ph.run(call(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}}))
}

// paired is a program whose machine is in the given scene, and a phone that is paired
// with it.
func paired(t *testing.T, role string, sc scene) (*program, *phone) {
	t.Helper()
	p, ph := serve(t, role, sc), newPhone(t, tall)
	ph.open(p)
	return p, ph
}

// open goes to the page with the code in its address, and pairs.
func (ph *phone) open(p *program) {
	ph.t.Helper()
	ph.night(false)
	ph.run(chromedp.Navigate(p.url() + "#pair=" + pairCode))
	ph.until("the code is filled in", `document.getElementById('pair-code').value === "`+pairCode+`"`)
	ph.tap("#pair button")
	ph.until("live data are shown", `document.getElementById('link').textContent === 'Live' && document.getElementById('sentence').textContent !== 'Connecting'`)
}

// middle is the middle of the first element that the selector matches, once it can
// be seen and nothing lies on it but what is of the same label.
func (ph *phone) middle(selector string) (x, y float64) {
	ph.t.Helper()
	began := time.Now()
	for {
		at, err := evaluate[[]float64](ph, `((e) => {
			if (!e?.checkVisibility({ visibilityProperty: true })) return [];
			e.scrollIntoViewIfNeeded();
			const r = e.getClientRects()[0], x = r.x + r.width / 2, y = r.y + r.height / 2;
			return (e.closest('label') ?? e).contains(document.elementFromPoint(x, y)) ? [x, y] : [];
		})(document.querySelector(`+quoted(selector)+`))`)
		if len(at) == 2 {
			return at[0], at[1]
		}
		if time.Since(began) > patience {
			ph.t.Fatalf("%s cannot be touched (%v). The page says: %s", selector, err, ph.text("body"))
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// tap clicks the middle of an element.
func (ph *phone) tap(selector string) {
	ph.t.Helper()
	ph.run(chromedp.MouseClickXY(ph.middle(selector)))
}

// ask evaluates an expression; promises are waited for.
func ask[T any](ph *phone, expression string) T {
	ph.t.Helper()
	v, err := evaluate[T](ph, expression)
	if err != nil {
		ph.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func evaluate[T any](ph *phone, expression string) (T, error) {
	ctx, cancel := context.WithTimeout(ph.ctx, time.Minute)
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

func (ph *phone) list(expression string) []string {
	ph.t.Helper()
	return ask[[]string](ph, expression)
}

// do evaluates an expression for what it does.
func (ph *phone) do(expression string) {
	ph.t.Helper()
	ask[bool](ph, `(async () => { await (`+expression+`); return true; })()`)
}

// script runs statements.
func (ph *phone) script(source string) { ph.t.Helper(); ask[bool](ph, source+"\n;true") }

// text is what can be seen of an element.
func (ph *phone) text(selector string) string {
	ph.t.Helper()
	return ask[string](ph, `((e) => e?.checkVisibility() ? e.innerText : '')(document.querySelector(`+quoted(selector)+`))`)
}

// until waits for an expression to become true.
func (ph *phone) until(what, expression string) {
	ph.t.Helper()
	ph.within(patience, what, expression)
}

// within returns how long it took. An error may be a page that is just being
// loaded anew, so it is asked again.
func (ph *phone) within(limit time.Duration, what, expression string) time.Duration {
	ph.t.Helper()
	began := time.Now()
	for {
		is, err := evaluate[bool](ph, `Boolean(`+expression+`)`)
		if is {
			return time.Since(began)
		}
		if time.Since(began) > limit {
			ph.t.Fatalf("not within %v: %s (%v). The page says: %s", limit, what, err, ph.text("body"))
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// says waits for the sentence.
// unbroken is a text as the page shows it: a number and its unit stay on one line.
func unbroken(text string) string {
	return numberAndUnit.ReplaceAllString(text, "$1\u00a0$2")
}

var numberAndUnit = regexp.MustCompile(`(\d) (%|s\b)`)

func (ph *phone) says(sentence string) {
	ph.t.Helper()
	ph.until("the page says "+sentence, `document.getElementById('sentence').textContent === `+quoted(sentence))
}

// view goes to a view by its button.
func (ph *phone) view(name string) {
	ph.t.Helper()
	ph.tap(`#nav a[href="#` + name + `"]`)
}

// advice waits for the card with the advice, until it may be answered: one that has
// just come up may not, since a tap may have been meant for what was there before.
func (ph *phone) advice() {
	ph.t.Helper()
	ph.until("the advice is shown", `!document.getElementById('card').hidden`)
	time.Sleep(450 * time.Millisecond)
}

// countOnTheGround fills in a count and sends it.
func (ph *phone) countOnTheGround() {
	ph.t.Helper()
	ph.view("checks")
	ph.tap("#box-ground summary")
	for _, place := range []string{"header", "behind"} {
		ph.tap(`[data-place=` + place + `] .stepper button:nth-of-type(4)`)
	}
	ph.do(`document.querySelector('[name=discharge_width_m]').value = '2'`)
	ph.tap("#check-ground button[type=submit]")
	ph.until("the result is shown", `document.querySelector('#check-ground .answer td')`)
}

// picture is a PNG of the screen.
func (ph *phone) picture(path string) {
	ph.t.Helper()
	png, err := chromedp.Run(ph.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		ph.t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		ph.t.Fatal(err)
	}
	if err := os.WriteFile(path, png, 0o644); err != nil {
		ph.t.Fatal(err)
	}
}

func num(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func quoted(s string) string {
	b, err := json.Marshal(s)
	if err != nil {
		panic(fmt.Sprintf("quoted %q: %v", s, err)) // strings always marshal
	}
	return string(b)
}
