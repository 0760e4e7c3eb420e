package history

import (
	"fmt"
	"math"
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"

	"pgregory.net/rapid"
)

// Codes are for ever: a file that holds them must be read the same later.
func TestEverySignalHasAColumn(t *testing.T) {
	c := newCoding()
	for id := range signal.ID(signal.Count) {
		if c.codes[id] == 0 {
			t.Errorf("%s has no code: add its name at the end of the list", id)
		}
	}
	for i, want := range []string{0: "ground_speed_kmh", 15: "cut_width_m", 25: "latitude_deg", 30: "roll_deg"} {
		if want != "" && signals[i] != want {
			t.Errorf("column %d is %s, and must stay %s", firstSignal+i, signals[i], want)
		}
	}
	for i, want := range []string{"unknown", "off", "idle", "travelling", "cutting", "turning", "waiting", "unloading", "blocked"} {
		if got := machine.Activity(i).String(); got != want {
			t.Errorf("activity %d is %s in files, now %s", i, want, got)
		}
	}
	for i, want := range []string{"none", "speed-width", "power", "grain-flow"} {
		if got := machine.FeedBasis(i).String(); got != want {
			t.Errorf("basis %d is %s in files, now %s", i, want, got)
		}
	}
}

// anyRow draws a row: values of all kinds, each known or not.
func anyRow(t *rapid.T, at signal.Instant, shift uint32) Row {
	r := Row{At: at, Shift: shift, Activity: machine.Activity(rapid.IntRange(0, 8).Draw(t, "activity")), OnTheGo: rapid.Bool().Draw(t, "on the go")}
	for id := range signal.ID(signal.Count) {
		if info := id.Info(); rapid.IntRange(0, 3).Draw(t, "known") > 0 {
			r.Set(id, rapid.Float64Range(info.Min, info.Max).Draw(t, info.Name))
		}
	}
	if rapid.Bool().Draw(t, "feed") {
		r.Feed = machine.Feed{Rate: signal.TPH(rapid.Float64Range(0, 200).Draw(t, "rate")), SD: signal.TPH(rapid.Float64Range(0, 50).Draw(t, "sd")),
			Basis: machine.FeedBasis(rapid.IntRange(1, 3).Draw(t, "basis")), FullnessKnown: rapid.Bool().Draw(t, "full known")}
		if r.Feed.FullnessKnown {
			r.Feed.Fullness = signal.Percent(rapid.Float64Range(0, 150).Draw(t, "full"))
		}
	}
	return r
}

// same tells in what two rows differ by more than half a step.
func same(got, want *Row) error {
	if got.At != want.At || got.Activity != want.Activity || got.OnTheGo != want.OnTheGo || got.Shift != want.Shift {
		return fmt.Errorf("got %v %v %v %d, want %v %v %v %d", got.At, got.Activity, got.OnTheGo, got.Shift, want.At, want.Activity, want.OnTheGo, want.Shift)
	}
	near := func(a, b float64, decimals int) bool { return math.Abs(a-b) <= 0.5001*math.Pow10(-decimals) }
	for id := range signal.ID(signal.Count) {
		a, ok1 := got.Value(id)
		b, ok2 := want.Value(id)
		if ok1 != ok2 || ok1 && !near(a, b, decimals(firstSignal, id)) {
			return fmt.Errorf("%s: got %v (known %t), want %v (known %t)", id, a, ok1, b, ok2)
		}
	}
	f, w := got.Feed, want.Feed
	if f.Basis != w.Basis || f.FullnessKnown != w.FullnessKnown || !near(float64(f.Rate), float64(w.Rate), 2) ||
		!near(float64(f.SD), float64(w.SD), 2) || !near(float64(f.Fullness), float64(w.Fullness), 1) {
		return fmt.Errorf("feed: got %+v, want %+v", f, w)
	}
	return nil
}

func TestABlockComesBackAsItWas(t *testing.T) {
	b, d := NewBuilder(), new(Decoder)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, MaxRows).Draw(t, "rows")
		shift := rapid.Uint32().Draw(t, "shift")
		at := signal.Instant(rapid.Int64Range(-1e15, 1e18).Draw(t, "first"))
		few := anyRow(t, 0, shift)
		rows := make([]Row, n)
		for i := range rows {
			if i%20 == 0 {
				few = anyRow(t, 0, shift)
			}
			rows[i] = few
			rows[i].At = at
			at += signal.Instant(rapid.SampledFrom([]int64{1e9, 1e9, 1e9, 1e8, 3e9}).Draw(t, "gap"))
			if !b.Add(&rows[i]) {
				t.Fatal("not taken")
			}
		}
		block := b.AppendBlock(nil)
		if err := d.Decode(block); err != nil {
			t.Fatal(err)
		}
		if d.Rows() != n || b.Rows() != 0 {
			t.Fatalf("%d rows of %d; %d left", d.Rows(), n, b.Rows())
		}
		for i := range rows {
			if err := same(d.Row(i), &rows[i]); err != nil {
				t.Fatalf("row %d: %v", i, err)
			}
		}
	})
}

// steady is a machine at work, with some noise.
func steady(i int) Row {
	r := Row{At: signal.Instant(i) * 1e9, Shift: 12, Activity: machine.Cutting}
	for id := range signal.ID(signal.Count) {
		info := id.Info()
		r.Set(id, info.Min+(info.Max-info.Min)*(0.5+0.01*math.Sin(float64(i*(int(id)+1)))))
	}
	r.Feed = machine.Feed{Rate: 30, SD: 3, Basis: machine.FromPower, Fullness: 88, FullnessKnown: true}
	return r
}

func TestRowsOfAnotherBlockAreNotTaken(t *testing.T) {
	b := NewBuilder()
	first := steady(5)
	for _, c := range []struct {
		name  string
		alter func(*Row)
	}{
		{"of another shift", func(r *Row) { r.Shift++; r.At++ }},
		{"not after the last", func(r *Row) {}},
	} {
		b.AppendBlock(nil)
		r := first
		if !b.Add(&r) {
			t.Fatal("the first was not taken")
		}
		if c.alter(&r); b.Add(&r) {
			t.Errorf("a row %s was taken", c.name)
		}
	}
	b.AppendBlock(nil)
	for i := range MaxRows {
		if r := steady(i); !b.Add(&r) {
			t.Fatalf("row %d was not taken", i)
		}
	}
	if r := steady(MaxRows); b.Add(&r) {
		t.Error("a row too many was taken")
	}
}

func TestGatheringRowsAllocatesNothing(t *testing.T) {
	b := NewBuilder()
	dst := make([]byte, 0, 1<<16)
	rows := make([]Row, 120)
	for i := range rows {
		rows[i] = steady(i)
	}
	if n := testing.AllocsPerRun(10, func() {
		for i := range rows {
			b.Add(&rows[i])
		}
		dst = b.AppendBlock(dst[:0])
	}); n != 0 {
		t.Errorf("%v allocations in 120 rows", n)
	}
}

func TestDecodeSaysWhatIsWrong(t *testing.T) {
	b := NewBuilder()
	for i := range 10 {
		r := steady(i)
		b.Add(&r)
	}
	block := b.AppendBlock(nil)
	for i := range 2 {
		r := steady(i)
		b.Add(&r)
	}
	b.columns[codeAt].values[1] = b.columns[codeAt].values[0]
	twice := b.AppendBlock(nil)
	var d Decoder
	for n := range len(block) {
		if err := d.Decode(block[:n]); err == nil {
			t.Errorf("the first %d bytes of %d were taken for a block", n, len(block))
		}
	}
	for _, c := range []struct {
		name  string
		bytes []byte
		says  string
	}{
		{"nothing", nil, "history: block of 0 bytes: it is cut short"},
		{"a later version", []byte{9, 1, 1, 1}, "history: block of 4 bytes: version 9 is not known"},
		{"too many rows", []byte{1, 1, 200, 2, 1}, "history: block of 5 bytes: 328 rows cannot be: 1 to 180"},
		{"the same second twice", twice, fmt.Sprintf("history: block of %d bytes: column 0: time goes back", len(twice))},
		{"a tail", append(append([]byte(nil), block...), 0), fmt.Sprintf("history: block of %d bytes: 1 bytes too many", len(block)+1)},
	} {
		if err := d.Decode(c.bytes); err == nil || err.Error() != c.says {
			t.Errorf("%s: %v, want %s", c.name, err, c.says)
		}
	}
}

func FuzzDecode(f *testing.F) {
	b := NewBuilder()
	for i := range 10 {
		r := steady(i)
		b.Add(&r)
	}
	f.Add(b.AppendBlock(nil))
	f.Add([]byte{1, 0, 2, 2, 0, 9, 0, 1, 0, 2, 1, 0, 0, 0, 4})
	f.Fuzz(func(t *testing.T, block []byte) {
		var d Decoder
		if d.Decode(block) != nil {
			return
		}
		// What was taken can be written again and means the same.
		b := NewBuilder()
		for i := range d.Rows() {
			if !b.Add(d.Row(i)) {
				t.Fatalf("row %d was not taken", i)
			}
		}
		var again Decoder
		if err := again.Decode(b.AppendBlock(nil)); err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkRow(b *testing.B) {
	build := NewBuilder()
	var dst []byte
	bytes := 0
	for i := range b.N {
		r := steady(i)
		if !build.Add(&r) {
			dst = build.AppendBlock(dst[:0])
			bytes += len(dst)
			build.Add(&r)
		}
	}
	b.ReportMetric(float64(bytes)/float64(b.N), "B/row")
}
