package phonetest

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/outside"

	"github.com/chromedp/chromedp"
)

// The page over the whole program, with nothing made up but the machine: what is set
// up is taken, holds, and is shown again; a count is taken; a shift can be fetched.
func TestTheDemoOnAPhone(t *testing.T) {
	t.Parallel()
	ph := newPhone(t, tall)
	ph.night(false)
	url := demo(t)
	ph.run(chromedp.Navigate(url))
	ph.until("the code is filled in", `document.getElementById('pair-code')?.value.length === 6`)
	ph.tap("#pair button")
	ph.until("live data are shown", `document.getElementById('link').textContent === 'Live'`)
	ph.until("the feed is a number", `/^\d+/.test(document.querySelector('#n-feed .value').textContent)`)

	ph.view("setup")
	ph.until("set-up waits for a machine that stands", `!document.getElementById('view-stop').hidden && document.getElementById('stop-head').textContent === 'Stop to use this'`)
	// For two seconds: where the computer is short of time, the machine six times as
	// fast falls silent now and then, and set-up is open while nothing is heard.
	ph.within(2*time.Minute, "the machine stands", `(globalThis.since = document.getElementById('set-crop')?.checkVisibility() ? globalThis.since || performance.now() : 0) && performance.now() - globalThis.since > 2000`)
	for _, c := range []struct{ panel, change string }{
		{"set-crop", `[name=crop]').value = 'barley'; f.querySelector('[name=header]').value = 'flex'; f.querySelector('[name=field]').value = 'North'`},
		{"set-limits", `[name="rotor_speed_rpm.max"]').value = '801'`},
		{"set-levers", `[name=lever][value=reel]').checked = false`},
		{"set-targets", `[name=separation-loss]').value = '31'`},
	} {
		ph.script(`{ const f = document.getElementById('` + c.panel + `'); f.querySelector('` + c.change + `; }`)
		ph.tap("#" + c.panel + " button[type=submit]")
		ph.until(c.panel+" is saved", `document.querySelector('#`+c.panel+` .answer').textContent === 'Saved.'`)
	}
	ph.do(`(globalThis.old = 1, location.reload())`)
	ph.until("live data are shown again", `!globalThis.old && document.getElementById('link')?.textContent === 'Live'`)
	ph.view("setup")
	ph.until("set-up is there again", `document.getElementById('set-crop')`)
	for what, expression := range map[string]string{
		"crop":   `document.querySelector('#set-crop [name=crop]').value === 'barley'`,
		"header": `document.querySelector('#set-crop [name=header]').value === 'flex'`,
		"field":  `document.querySelector('#set-crop [name=field]').value === 'North'`,
		"limit":  `document.querySelector('[name="rotor_speed_rpm.max"]').value === '801'`,
		"lever":  `!document.querySelector('[name=lever][value=reel]').checked && document.querySelector('[name=lever][value=fan_speed]').checked`,
		"target": `document.querySelector('#set-targets [name=separation-loss]').value === '31'`,
	} {
		if !ask[bool](ph, expression) {
			t.Errorf("%s is not as it was set", what)
		}
	}

	ph.countOnTheGround()

	ph.view("day")
	ph.until("the day has what was counted", `document.getElementById('thread').innerText.includes('Ground count')`)
	ph.until("the shift can be fetched", `document.querySelector('#view-day a[href$=".html"]')`)
	report := ask[string](ph, `fetch(document.querySelector('#view-day a[href$=".html"]').href).then((r) => r.text())`)
	if !strings.Contains(report, "</html>") || !strings.Contains(report, "shift 1") {
		t.Errorf("the report is %.200s", report)
	}
}

// demo is the program's own demo, and the address of its page with the code.
func demo(t *testing.T) (url string) {
	t.Helper()
	folder := t.TempDir()
	program, err := outside.Program(folder)
	if err != nil {
		t.Fatal(err)
	}
	// Its machine stands after six minutes of its own, for two and a half.
	cmd := exec.Command(program, "demo", "--speed", "6", "--store", filepath.Join(folder, "store.db"),
		"--listen", outside.FreePort(t), "--page", outside.FreePort(t))
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
	})
	found := make(chan string, 1)
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			if url := pairing.FindString(lines.Text()); url != "" {
				found <- url
			}
		}
	}()
	select {
	case url := <-found:
		return url
	case <-time.After(time.Minute):
		t.Fatal("the demo does not tell the address of its page")
		return ""
	}
}

var pairing = regexp.MustCompile(`http://\S+#pair=\d{6}`)
