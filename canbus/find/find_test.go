package find

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
)

// usualCases keeps the test quick; CHAFFINCH_FINDER=200 runs as many, and
// CHAFFINCH_FINDER_FROM=1001 others than the first.
const usualCases = 30

func casesOf(t *testing.T, usual int) (cases, from int) {
	cases, from = usual, 1
	if testing.Short() { // the race detector makes the arithmetic ten times slower
		cases = max(usual/8, 4)
	}
	for name, n := range map[string]*int{"CHAFFINCH_FINDER": &cases, "CHAFFINCH_FINDER_FROM": &from} {
		if text := os.Getenv(name); text != "" {
			v, err := strconv.Atoi(text)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			*n = v
		}
	}
	return cases, from
}

func (b *madeBus) find(t *testing.T) *Result {
	t.Helper()
	r, err := Log(&source{b.frames()}, Query{Signal: b.hidden.signal, Readings: b.readings, Step: b.hidden.step})
	if err != nil {
		t.Fatalf("%v: %v", b, err)
	}
	return r
}

func textOf(t *testing.T, r *Result) string {
	t.Helper()
	var text strings.Builder
	if err := r.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	return text.String()
}

// Made-up buses with at least 150 fields in proprietary frames: hidden signals
// of 8 to 24 bits, both byte orders, unaligned, odd scales, multiplexed;
// readings are rounded and up to a second late. With six readings the field
// comes first in at least 95 % of the cases and among the first three in 99 %,
// and what is claimed as found is right.
func TestHiddenSignals(t *testing.T) {
	cases, from := casesOf(t, usualCases)
	var first, third, exact, found, wrong int
	var spent time.Duration
	for seed := range cases {
		b := madeUp(uint64(seed+from), 6, false)
		if b.fields < 150 || len(b.readings) != 6 {
			t.Fatalf("%v: %d fields, %d readings", b, b.fields, len(b.readings))
		}
		start := time.Now()
		r := b.find(t)
		spent += time.Since(start)
		frames := b.frames()
		place := -1
		for i := range r.Best[:min(3, len(r.Best))] {
			if b.judge(&r.Best[i], frames).right {
				place = i
				break
			}
		}
		if place == 0 {
			first++
			if b.judge(&r.Best[0], frames).exact {
				exact++
			}
		}
		if place >= 0 {
			third++
		}
		if r.Verdict == Found {
			found++
			if v := b.judge(&r.Best[0], frames); !v.right {
				wrong++
				t.Errorf("%v: claimed, but wrong\n%v\n%s", b, b.readings, textOf(t, r))
			}
		}
		if place != 0 {
			t.Logf("%v: place %d\n%v\n%s", b, place, b.readings, textOf(t, r))
		}
	}
	t.Logf("%d cases: first %d, in the first three %d, exact to the bit %d, claimed %d, of these wrong %d; %v each",
		cases, first, third, exact, found, wrong, spent/time.Duration(cases))
	if first*100 < 95*cases || third*100 < 99*cases && cases-third > 1 {
		t.Errorf("first in %d and among three in %d of %d cases", first, third, cases)
	}
	if found*4 < cases {
		t.Errorf("only %d of %d were claimed: a finder that is never sure is of no use", found, cases)
	}
}

// A signal that is not on the bus is never claimed, with three or six
// readings.
func TestAbsentSignals(t *testing.T) {
	cases, from := casesOf(t, 12)
	for _, readings := range []int{3, 6} {
		verdicts := map[Verdict]int{}
		least := 1.0
		for seed := range cases {
			b := madeUp(uint64(seed+from+5000), readings, true)
			r := b.find(t)
			verdicts[r.Verdict]++
			least = min(least, r.None)
			if r.Verdict == Found || r.Verdict == Ambiguous {
				t.Errorf("%v: claimed\n%v\n%s", b, b.readings, textOf(t, r))
			}
		}
		t.Logf("%d readings: %v, least doubt %.3g", readings, verdicts, least)
	}
}

// With three readings the result says how sure it is: of the cases in which it
// gives its first candidate a chance, about that share is right.
func TestThreeReadings(t *testing.T) {
	cases, from := casesOf(t, 12)
	promised, right, found := 0.0, 0, 0
	for seed := range cases {
		b := madeUp(uint64(seed+from+7000), 3, false)
		r := b.find(t)
		if len(r.Best) == 0 {
			continue
		}
		promised += r.Best[0].Probability
		v := b.judge(&r.Best[0], b.frames())
		if v.right {
			right++
		}
		if r.Verdict == Found {
			found++
			if !v.right {
				t.Errorf("%v: claimed, but wrong\n%v\n%s", b, b.readings, textOf(t, r))
			}
		}
		if r.Verdict != Found && r.Verdict != Nothing && r.More == 0 && r.Next == "" {
			t.Errorf("%v: no word on what to do\n%s", b, textOf(t, r))
		}
	}
	t.Logf("%d cases: %.1f right by its own account, %d right, %d claimed", cases, promised, right, found)
	// It is allowed to be more careful than it need be, not less.
	if promised > float64(right)+2*math.Sqrt(float64(max(1, right))) {
		t.Errorf("promises %.1f, keeps %d", promised, right)
	}
}

func TestMapIsReadyToPaste(t *testing.T) {
	multiplexed, plain := false, false
	for seed := uint64(1); seed < 60 && !(multiplexed && plain); seed++ {
		b := madeUp(seed, 8, false)
		if b.hidden.message.pages > 1 && multiplexed || b.hidden.message.pages == 1 && plain {
			continue
		}
		r := b.find(t)
		if r.Verdict != Found {
			continue
		}
		m := &r.Best[0].Map
		if wrong := m.Validate(0); len(wrong) > 0 {
			t.Errorf("%v: %v\n%s", b, wrong[0], r.Best[0].MapText)
		}
		text := textOf(t, r)
		for _, want := range []string{"[[map]]\n", "signal = \"" + b.hidden.signal.String() + "\"\n", "start_bit = ", "length = ", "byte_order = ", "signed = ", "scale = ", "offset = "} {
			if !strings.Contains(text, want) {
				t.Errorf("no %q in\n%s", want, text)
			}
		}
		if b.hidden.message.pages > 1 {
			multiplexed = true
			if m.When == nil || m.When.Equals != int64(b.hidden.page) || !strings.Contains(text, "when = { start_bit = ") {
				t.Errorf("%v: the layout is not named\n%s", b, text)
			}
		} else {
			plain = true
		}
	}
	if !multiplexed || !plain {
		t.Error("no case of each kind")
	}
}

// One mistyped reading among eight is pointed out and does not spoil the search.
func TestMistypedReading(t *testing.T) {
	told := 0
	const cases = 6
	for seed := uint64(300); seed < 300+cases; seed++ {
		b := madeUp(seed, 8, false)
		info := b.hidden.signal.Info()
		wrong := &b.readings[3]
		if wrong.Value += 0.21 * (info.Max - info.Min); wrong.Value > info.Max {
			wrong.Value -= 0.42 * (info.Max - info.Min)
		}
		r := b.find(t)
		if r.Verdict != Nothing && len(r.Best) > 0 && b.judge(&r.Best[0], b.frames()).right && strings.Contains(strings.Join(r.Notes, " "), "does not fit") {
			told++
		}
	}
	t.Logf("%d of %d were pointed out", told, cases)
	if told < cases/2 {
		t.Errorf("only %d of %d mistyped readings were pointed out", told, cases)
	}
}

// Live, readings are added as they are noted, and the result is that of the log.
func TestLiveIsTheSame(t *testing.T) {
	b := madeUp(2, 6, false)
	want := b.find(t)
	c := NewCollector()
	next := 0
	for _, f := range b.frames() {
		for next < len(b.readings) && f.Stamp >= b.readings[next].Stamp {
			c.Read(b.readings[next])
			next++
		}
		c.Feed(&f)
	}
	got, err := c.Find(Query{Signal: b.hidden.signal, Step: b.hidden.step})
	if err != nil {
		t.Fatal(err)
	}
	x, _ := json.Marshal(got)
	y, _ := json.Marshal(want)
	if !bytes.Equal(x, y) {
		t.Errorf("live %s\nlog  %s", x, y)
	}
}

func TestSameInputSameResult(t *testing.T) {
	b := madeUp(5, 6, false)
	x, _ := json.Marshal(b.find(t))
	y, _ := json.Marshal(b.find(t))
	if !bytes.Equal(x, y) {
		t.Errorf("%s\n%s", x, y)
	}
}

func TestPicture(t *testing.T) {
	for name, b := range map[string]*madeBus{"found": madeUp(2, 6, false), "nothing": madeUp(5001, 6, true)} {
		r := b.find(t)
		var svg bytes.Buffer
		if err := r.WritePicture(&svg); err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(&svg)
		dots, paths := 0, 0
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if e, ok := token.(xml.StartElement); ok {
				switch e.Name.Local {
				case "circle":
					dots++
				case "path":
					paths++
				}
			}
		}
		if panels := min(3, len(r.Best)); paths != panels || dots != panels*len(b.readings) {
			t.Errorf("%s: %d curves and %d dots for %d candidates", name, paths, dots, len(r.Best))
		}
	}
}

func TestQueries(t *testing.T) {
	three := []Reading{{1, 10}, {2, 20}, {3, 30}}
	cases := []struct {
		name string
		q    Query
		want string // part of the error
	}{
		{"two readings", Query{Readings: three[:2]}, "at least 3"},
		{"all the same", Query{Readings: []Reading{{1, 5}, {2, 5}, {3, 5}}}, "all readings are the same"},
		{"not a number", Query{Readings: []Reading{{1, math.NaN()}, {2, 5}, {3, 5}}}, "not a number"},
		{"no such signal", Query{Signal: signal.Count, Readings: three}, "no signal"},
		{"an impossible step", Query{Readings: three, Step: -1}, "step"},
		{"no frames at the readings", Query{Readings: three}, "0 readings"},
	}
	for _, c := range cases {
		_, err := Log(&source{}, c.q)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", c.name, err, c.want)
		}
	}
}

func TestDisplayStep(t *testing.T) {
	cases := []struct {
		values []float64
		want   float64
	}{
		{[]float64{820, 905, 777}, 1},
		{[]float64{820, 900, 770, 850, 910, 640}, 10},
		{[]float64{820, 900, 770}, 10},
		{[]float64{12.5, 13.0, 14.5, 9.5, 10}, 0.5},
		{[]float64{12.5, 13.1, 14.7}, 0.1},
		{[]float64{0.25, 0.5, 1.75, 0.9}, 0.05},
		{[]float64{822, 904, 776, 850}, 1}, // even by chance
	}
	for _, c := range cases {
		var readings []Reading
		for _, v := range c.values {
			readings = append(readings, Reading{Value: v})
		}
		if got := displayStep(readings); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v: step %g, want %g", c.values, got, c.want)
		}
	}
}

func TestStartBitsAreThoseOfDBC(t *testing.T) {
	// 16 bits in bytes 1 and 2, and 12 bits from the middle of byte 3.
	cases := []struct {
		order     byte
		low, high int
		want      int
	}{{0, 0, 15, 0}, {1, 48, 63, 7}, {0, 20, 31, 20}, {1, 32, 43, 19}}
	for _, c := range cases {
		order := orders[c.order]
		if got := startBit(order, c.low, c.high); got != c.want {
			t.Errorf("%v: bits %d to %d start at %d, want %d", order, c.low, c.high, got, c.want)
		}
	}
}

// Stamps that stand still, or a log that is very long, do not use up memory.
func TestCollectorIsBounded(t *testing.T) {
	for name, step := range map[string]int64{"standing": 0, "a long log": 700_000} {
		c := NewCollector()
		f := madeUp(3, 6, false).frames()[0]
		c.Read(Reading{1 << 60, 1})
		for range 3_000_000 {
			f.Stamp += step
			f.Data[0]++
			c.Feed(&f)
		}
		if c.records > mostRecords || cap(c.ring) > 5*mostRecent {
			t.Errorf("%s: %d records, ring of %d", name, c.records, cap(c.ring))
		}
	}
}
