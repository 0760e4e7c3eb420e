package phonetest

import (
	"io/fs"
	"math"
	"os"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"chaffinch/canbus"
)

// The page is small, whole and without a line of script or style in its HTML.
func TestThePageIsSmallAndWhole(t *testing.T) {
	most := 100_000
	sum := 0
	var names []string
	shell, err := os.ReadFile(path.Join(pageDir, "worker.js"))
	if err != nil {
		t.Fatal(err)
	}
	err = fs.WalkDir(os.DirFS(pageDir), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if name == "shots" {
				return fs.SkipDir
			}
			return err
		}
		b, err := os.ReadFile(path.Join(pageDir, name))
		if err != nil {
			return err
		}
		sum += len(b)
		names = append(names, name)
		for _, outside := range regexp.MustCompile(`(https?:)?//[a-z0-9.-]+\.[a-z]{2,}`).FindAllString(string(b), -1) {
			if outside != "http://www.w3.org" { // the name of SVG, not a place
				t.Errorf("%s names %s", name, outside)
			}
		}
		if name != "index.html" && name != "worker.js" && !strings.Contains(string(shell), "'/"+name+"'") {
			t.Errorf("worker.js does not keep %s", name)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(names, "index.html") || sum > most {
		t.Errorf("%d bytes in %d files, more than %d", sum, len(names), most)
	}
	t.Logf("%d bytes in %d files", sum, len(names))
	html, err := os.ReadFile(path.Join(pageDir, "index.html"))
	if err != nil {
		t.Fatal(err)
	}
	if found := regexp.MustCompile(`(?i)\sstyle=|\son[a-z]+=|<style|<script(?: [^>]*)?>[^<]`).FindString(string(html)); found != "" {
		t.Errorf("index.html has %q in it", found)
	}
}

// modules asks the page's modules by themselves, in the browser that runs them.
func modules(t *testing.T) *phone {
	t.Helper()
	_, ph := paired(t, "answer", standing)
	ph.do(`Promise.all(['api', 'units', 'state', 'glance', 'ribbon', 'ground', 'pair'].map(async (n) => { globalThis[n + '_'] = await import('/' + n + '.js'); }))`)
	return ph
}

func TestModules(t *testing.T) {
	ph := modules(t)

	// The examples of WHATWG HTML, section 9.2.6 "Interpreting an event stream",
	// each cut into pieces of every length. The one with fields "id" and "retry" is
	// read without them: the page does not use them.
	t.Run("event stream", func(t *testing.T) {
		for _, c := range []struct{ name, stream, want string }{
			{"stock", "data: YHOO\ndata: +2\ndata: 10\n\n", "message=YHOO|+2|10"},
			{"four blocks", ": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n\n", "message=first event;message=second event;message= third event"},
			{"two events, the last not ended", "data\n\ndata\ndata\n\ndata:", "message=;message=|"},
			{"space or not", "data:test\n\ndata: test\n\n", "message=test;message=test"},
			{"named", "event: add\ndata: 73857293\n\nevent: remove\ndata: 2153\n\n", "add=73857293;remove=2153"},
			{"CR LF", "event: add\r\ndata: 1\r\n\r\ndata: 2\r\n\r\n", "add=1;message=2"},
			{"CR", "data: 1\r\rdata: 2\r\r", "message=1;message=2"},
		} {
			for size := 1; size <= len(c.stream); size++ {
				got := ask[string](ph, `(() => { const out = []; const feed = api_.reader((n, d) => out.push(n + '=' + d.replaceAll('\n', '|')));
					const s = `+quoted(c.stream)+`; for (let i = 0; i < s.length; i += `+strconv.Itoa(size)+`) feed(s.slice(i, i + `+strconv.Itoa(size)+`)); return out.join(';'); })()`)
				if got != c.want {
					t.Errorf("%s in pieces of %d: %q, want %q", c.name, size, got, c.want)
				}
			}
		}
	})

	// NIST SP 811 (2008), appendix B.8: 1 mile/h is 1.609344 km/h, 1 ft 0.3048 m,
	// 1 in 25.4 mm, 1 short ton 907.1847 kg, 1 US gallon 3.785412 L, 1 lb 0.45359237
	// kg, 1 acre 4046.873 m2, 1 ft2 0.09290304 m2.
	t.Run("units", func(t *testing.T) {
		for _, c := range []struct {
			metric     float64
			unit, want string
		}{
			{1.609344 * 5, "km/h", "5.0 mph"}, {0.3048 * 30, "m", "30.0 ft"}, {25.4 * 0.75, "mm", "0.75 in"}, {0.9071847 * 40, "t/h", "40 ton/h"},
			{3.785412 * 12, "L/h", "12.0 gal/h"}, {0.45359237 / 0.4046873 * 100, "kg/ha", "100 lb/ac"}, {0.09290304 * 10, "m2", "10.00 ft²"}, {100, "Cel", "212 °F"},
			// A bushel of wheat is 60 lb (USDA).
			{80 * 60 * 0.45359237 / 0.4046873 / 1000, "t/ha", "80 bu/ac"},
		} {
			got := ask[string](ph, `(units_.use('us', 'wheat'), units_.told(`+num(c.metric)+`, '`+c.unit+`'))`)
			if got != c.want {
				t.Errorf("%v %s is %q, want %q", c.metric, c.unit, got, c.want)
			}
			if back := ask[float64](ph, `units_.metric(units_.shown(`+num(c.metric)+`, '`+c.unit+`'), '`+c.unit+`') / `+num(c.metric)); back < 1-1e-9 || back > 1+1e-9 {
				t.Errorf("%s there and back is %v of itself", c.unit, back)
			}
			if got := ask[string](ph, `(units_.use('metric', 'wheat'), units_.told(`+num(c.metric)+`, '`+c.unit+`'))`); !strings.HasSuffix(got, strings.NewReplacer("Cel", "°C", "m2", "m²").Replace(c.unit)) {
				t.Errorf("metric %s is %q", c.unit, got)
			}
		}
		if got := ask[string](ph, `units_.plain(-0.2, 'rpm') + ' ' + units_.plain(-3.4, 'rpm')`); got != "0 −3" {
			t.Errorf("minus: %q", got)
		}
	})

	// The first that holds is said.
	t.Run("sentence", func(t *testing.T) {
		live := `{ activity: 'cutting', fullness_pct: 82, signals: { ground_speed_kmh: { value: 5, quality: 'good' } }, bus: { state: 'up', frames_per_s: 700 } }`
		alert := func(id, priority string) string {
			return `{ id: '` + id + `', priority: '` + priority + `', text: '` + id + ` text', acknowledged: false }`
		}
		for _, c := range []struct{ name, change, state, text string }{
			{"all is well", ``, "well", "All well"},
			{"fullness is not known", `s.live.fullness_pct = null`, "unknown", "No alarm, fullness not known"},
			{"activity is not known", `s.live.activity = 'unknown'`, "unknown", "Activity not known"},
			{"and nothing is heard", `s.live.activity = 'unknown'; s.live.bus.frames_per_s = 0`, "unknown", "Machine not heard"},
			{"and there is no adapter", `s.live.activity = 'unknown'; s.live.bus = { state: 'absent', frames_per_s: 0 }`, "unknown", "Machine not heard"},
			{"engine off", `s.live.activity = 'off'; s.live.signals = {}`, "rest", "Engine off"},
			{"blocked", `s.live.activity = 'blocked'`, "medium", "Rotor stands: blocked"},
			{"an alarm", `s.alerts = [` + alert("a", "low") + `,` + alert("b", "high") + `]`, "high", "b text"},
			{"the alarm before the prompt", `s.alerts = [` + alert("a", "medium") + `]; s.prompt = { symptom: 'returns' }`, "medium", "a text"},
			{"the prompt before the note", `s.alerts = [` + alert("a", "low") + `]; s.prompt = { symptom: 'returns' }`, "prompt", "Returns are high"},
			{"the prompt before what is seen", `s.alerts = [` + alert("a", "high") + `]; s.seen.add('ahigh'); s.prompt = { symptom: 'returns' }`, "prompt", "Returns are high"},
			{"how full", `s.prompt = { symptom: 'spare-capacity' }`, "prompt", "Machine only 82 % full"},
			{"put it back", `s.prompt = { symptom: 'returns', back: true }`, "prompt", "The change did not help"},
			{"what is seen stays", `s.alerts = [` + alert("a", "high") + `]; s.seen.add('ahigh')`, "seen", "a text"},
			{"a check, moving", `s.checks = [{ check: 'tank' }]`, "well", "All well"},
			{"a check, standing", `s.checks = [{ check: 'tank' }]; s.live.activity = 'idle'; s.live.signals = {}`, "prompt", "A check is due"},
			{"old before all", `s.alerts = [` + alert("b", "high") + `]; s.liveAt = 5500`, "old", "No news: 4 s"},
			{"away before old", `s.liveAt = 0; s.heardAt = -1000`, "away", "No connection"},
			{"never heard", `s.liveAt = null; s.helloAt = 1000`, "unknown", "Machine not heard"},
		} {
			got := ask[string](ph, `(() => { const s = state_.fresh(); Object.assign(s, { live: `+live+`, liveAt: 9500, heardAt: 9500, helloAt: 9000 }); `+c.change+`;
				const g = glance_.glance(s, 10000); return g.state + ': ' + g.text; })()`)
			if want := c.state + ": " + c.text; got != want {
				t.Errorf("%s: %q, want %q", c.name, got, want)
			}
		}
	})

	// States of the bus are those of canbus.State.
	t.Run("why nothing is heard", func(t *testing.T) {
		for bus, want := range map[canbus.LinkState]string{canbus.Absent: "plug it in", canbus.Down: "is down", canbus.Refused: "not listen-only", canbus.Up: "Key off?"} {
			if got := ask[string](ph, `glance_.deaf({ state: '`+bus.String()+`', frames_per_s: 0 })`); !strings.Contains(got, want) {
				t.Errorf("%v: %q", bus, got)
			}
		}
		if got := ask[string](ph, `glance_.deaf({ state: '`+canbus.Up.String()+`', frames_per_s: 700 })`); got != "" {
			t.Errorf("with frames: %q", got)
		}
	})

	// No mark lies on another, on the smallest phone too, and an alert is not left
	// out for a setting.
	t.Run("marks", func(t *testing.T) {
		const apart = 26.0 / (360 - 2*6) * 100                                           // a mark's width
		inside := func(at float64) float64 { return max(apart/2, min(at, 100-apart/2)) } // none is cut off
		placed := ask[[]struct {
			M struct {
				Kind string  `json:"kind"`
				Ago  float64 `json:"ago_s"`
			} `json:"m"`
			At  float64 `json:"at"`
			Row int     `json:"row"`
		}](ph, `ribbon_.placed([...Array(40).keys()].map((i) => ({ kind: ['setting', 'note', 'prompt', 'check', 'verdict'][i % 5], ago_s: i * 7 })).concat([{ kind: 'alert', ago_s: 70 }, { kind: 'alert', ago_s: 400 }, { kind: 'alert', ago_s: 5000 }, { kind: 'rumour', ago_s: 900 }]))`)
		alerts := 0
		for i, a := range placed {
			if a.M.Kind == "alert" {
				alerts++
			}
			for _, b := range placed[:i] {
				if a.Row == b.Row && math.Abs(inside(a.At)-inside(b.At)) < apart {
					t.Errorf("%+v lies on %+v", a, b)
				}
			}
		}
		if alerts != 2 || len(placed) < 6 {
			t.Errorf("%d marks, %d of alerts: %+v", len(placed), alerts, placed)
		}
	})

	t.Run("moving", func(t *testing.T) {
		for _, c := range []struct {
			activity, speed string
			want            bool
		}{
			{"idle", "0.9", false}, {"idle", "1.1", true}, {"cutting", "null", true}, {"turning", "0", true}, {"travelling", "0", true},
			{"waiting", "0", false}, {"unloading", "0", false}, {"off", "null", false}, {"unknown", "null", false},
		} {
			if got := ask[bool](ph, `state_.moving({ live: { activity: '`+c.activity+`', signals: { ground_speed_kmh: { value: `+c.speed+` } } } })`); got != c.want {
				t.Errorf("%s at %s km/h: moving %v", c.activity, c.speed, got)
			}
		}
	})

	t.Run("code in the address", func(t *testing.T) {
		for hash, want := range map[string]string{"#pair=482913": "482913", "#pair=48291": "", "#pair=4829134": "", "#checks": "", "#pair=<script>": ""} {
			if got := ask[string](ph, `pair_.code(`+quoted(hash)+`)`); got != want {
				t.Errorf("%s: %q", hash, got)
			}
		}
	})
}

// Words of others do not become part of the page.
func TestTextIsNeverHTML(t *testing.T) {
	t.Parallel()
	p, ph := paired(t, "answer", standing)
	bad := overload
	bad.Text = `<img src=x onerror="wrong.push(1)"><b>bold</b>`
	p.event(bad)
	ph.says(bad.Text)
	ph.view("day")
	ph.until("the day is there", `document.getElementById('thread').innerText.includes('onerror')`)
	if n := ask[float64](ph, `document.querySelectorAll('main img').length`); n != 0 {
		t.Errorf("%v images came of it", n)
	}
}
