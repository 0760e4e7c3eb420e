package latency

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"chaffinch/internal/outside"
)

// watcher notes when a sentence has been painted: after the frame in which it was
// put into the page.
const watcher = `
globalThis.watch = new MutationObserver(() => {
  const text = document.getElementById('sentence').textContent;
  requestAnimationFrame(() => { const after = new MessageChannel(); after.port1.onmessage = () => performance.mark(text); after.port2.postMessage(0); });
});
watch.observe(document.getElementById('sentence'), { childList: true, characterData: true, subtree: true });
true`

// screen is the page in Chromium, with a phone's code.
type screen struct {
	t   *testing.T
	ctx context.Context
}

func openPage(t *testing.T, address, code string) *screen {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(outside.Tool(t, "chromium")), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, endAlloc := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(func() { end(); endAlloc() })
	s := &screen{t, ctx}
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+address+"/#pair="+code)); err != nil {
		t.Fatal(err)
	}
	s.until(`document.getElementById('pair-code').value === "` + code + `"`)
	if err := chromedp.Do(ctx, chromedp.Click("#pair button", chromedp.NodeVisible)); err != nil {
		t.Fatal(err)
	}
	s.until(`document.getElementById('link').textContent === 'Live'`)
	if !evaluate[bool](s, watcher) {
		t.Fatal("the page cannot be watched")
	}
	return s
}

func evaluate[T any](s *screen, expression string) T {
	s.t.Helper()
	v, err := chromedp.Run(s.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		s.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func (s *screen) until(expression string) {
	s.t.Helper()
	for end := time.Now().Add(15 * time.Second); !evaluate[bool](s, "Boolean("+expression+")"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			s.t.Fatalf("not in time: %s", expression)
		}
	}
}

// painted is when the sentence spoke of each alert for the first time.
func (s *screen) painted() *seen {
	s.t.Helper()
	type mark struct {
		Name string  `json:"name"`
		At   float64 `json:"at"` // ms since 1970
	}
	all := newSeen()
	for _, m := range evaluate[[]mark](s, `performance.getEntriesByType('mark').map((m) => ({ name: m.name, at: performance.timeOrigin + m.startTime }))`) {
		var spn, fmi int
		_, code, _ := strings.Cut(m.Name, "fault code ")
		if n, _ := fmt.Sscanf(code, "%d-%d", &spn, &fmi); n == 2 && spn >= firstSPN {
			all.note(subject(spn-firstSPN), time.UnixMicro(int64(m.At*1000)))
		}
	}
	return all
}
