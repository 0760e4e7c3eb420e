package phonetest

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"chaffinch/detect"
)

// watcher notes when a sentence has been painted: after the frame in which it
// was put into the page, not before.
const watcher = `
globalThis.watch = new MutationObserver(() => {
  const text = document.getElementById('sentence').textContent;
  requestAnimationFrame(() => { const after = new MessageChannel(); after.port1.onmessage = () => performance.mark(text); after.port2.postMessage(0); });
});
watch.observe(document.getElementById('sentence'), { childList: true, characterData: true, subtree: true });
`

// From the moment at which the board has an alert to the moment at which the
// phone has painted it, over the loopback, in a browser that paints 60 times a
// second. Printed with -v; the bound is generous, for a machine that is busy.
func TestAlertToPaint(t *testing.T) {
	p, ph := paired(t, "answer", cutting)
	ph.script(watcher)
	const n = 200
	sent := map[string]float64{}
	for i := range n {
		e := overload
		e.Text = fmt.Sprintf("Alert number %d", i)
		if i > 0 {
			e.Phase = detect.Changed
		}
		e.Began = p.now()
		sent[e.Text] = float64(time.Now().UnixMicro()) / 1000
		p.event(e)
		time.Sleep(23 * time.Millisecond) // not in step with the frames
	}
	ph.says(fmt.Sprintf("Alert number %d", n-1))
	type mark struct {
		Name string  `json:"name"`
		At   float64 `json:"at"`
	}
	time.Sleep(200 * time.Millisecond)
	var took []float64
	for _, m := range ask[[]mark](ph, `performance.getEntriesByType('mark').map((m) => ({ name: m.name, at: performance.timeOrigin + m.startTime }))`) {
		if from, ok := sent[m.Name]; ok {
			took = append(took, m.At-from)
		}
	}
	if len(took) < n/2 {
		t.Fatalf("only %d of %d were painted: the others were overtaken", len(took), n)
	}
	slices.Sort(took)
	p50, p99 := took[len(took)/2], took[len(took)*99/100]
	t.Logf("alert to paint: p50 %.1f ms, p99 %.1f ms, most %.1f ms, of %d alerts", p50, p99, took[len(took)-1], len(took))
	if took[0] < 0 || p50 > 250 {
		t.Errorf("p50 %.1f ms, least %.1f ms", p50, took[0])
	}
}
