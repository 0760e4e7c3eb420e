package report

import (
	"encoding/json"
	"encoding/xml"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/store/export"
	"chaffinch/store/history"
)

func TestTicksAreRound(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		n         int
		want      []float64
	}{
		{0, 90, 4, []float64{0, 20, 40, 60, 80}}, {0, 120, 4, []float64{0, 50, 100}}, {0, 4, 4, []float64{0, 1, 2, 3, 4}},
		{0, 0.5, 5, []float64{0, 0.1, 0.2, 0.3, 0.4, 0.5}}, {3, 3, 4, nil}, {math.NaN(), 1, 4, nil},
	} {
		got := ticks(c.low, c.high, c.n)
		if !slices.EqualFunc(got, c.want, func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }) {
			t.Errorf("%v to %v: %v, want %v", c.low, c.high, got, c.want)
		}
	}
}

func TestAPlaceIsWhereTheSameTroubleCameThreeTimes(t *testing.T) {
	at := func(kind string, north, east float64) mark {
		return mark{Kind: kind, placed: true, place: point{east / 111195, north / 111195}}
	}
	overload := func(north, east float64) mark { return at("engine-overload", north, east) }
	for _, c := range []struct {
		name  string
		marks []mark
		want  []int
	}{
		{"three within 30 m", []mark{overload(0, 0), overload(20, 0), overload(0, -25)}, []int{3}},
		{"two", []mark{overload(0, 0), overload(20, 0)}, nil},
		{"three along 200 m", []mark{overload(0, 0), overload(100, 0), overload(200, 0)}, nil},
		{"three kinds at one place", []mark{overload(0, 0), at("returns-high", 0, 0), at("feed-drop", 0, 0)}, nil},
		{"two places", []mark{overload(0, 0), overload(1, 0), overload(2, 0), overload(500, 0), overload(501, 0), overload(502, 0), overload(503, 0)}, []int{4, 3}},
		{"no position", []mark{{Kind: "engine-overload"}, {Kind: "engine-overload"}, {Kind: "engine-overload"}}, nil},
	} {
		var got []int
		for _, p := range recurring(c.marks) {
			got = append(got, p.count)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: places of %v alarms, want %v", c.name, got, c.want)
		}
	}
}

func TestLossAtTheHeadlandIsTold(t *testing.T) {
	// passes drives passes of a hundred seconds, with a level for the end of each.
	passes := func(inside, edge float64) []string {
		var h headland
		for range 12 {
			for s := range 120 {
				row := history.Row{Activity: machine.Cutting}
				level := inside
				if s >= 90 {
					level = edge
				}
				if s >= 100 {
					row.Activity = machine.Turning
				}
				row.Set(signal.CleaningLoss.ID, level)
				h.add(&row)
			}
		}
		return h.words()
	}
	if got := passes(20, 50); len(got) != 1 || !strings.Contains(got[0], "shows 50 where the machine leaves the crop and 20 inside") {
		t.Errorf("of a loss at the headland was said %q", got)
	}
	if got := passes(20, 22); len(got) != 0 {
		t.Errorf("of an even loss was said %q", got)
	}
}

func TestASickSensorIsNamedOnce(t *testing.T) {
	d := newTraces(nil)
	flow, rotor := "grain_flow_t_h", "rotor_speed_rpm"
	for _, e := range []export.Event{
		{Kind: "signal-silent", Subject: &flow, Text: "Grain flow silent for 5 s: check sensor.", Phase: "ended"},
		{Kind: "signal-silent", Subject: &flow, Text: "Grain flow silent for 9 s: check sensor.", Phase: "ended"},
		{Kind: "signal-silent", Subject: &rotor, Text: "Rotor speed silent for 5 s: check sensor.", Phase: "raised"},
		{Kind: "separation-loss-high", Text: "Separation loss usually shows 98 of 100: set its sensor", Phase: "ended"},
		{Kind: "engine-hot", Text: "Coolant 108 °C", Phase: "ended"},
	} {
		d.addSick(&e)
	}
	r := report{Checks: []told{{}}, Shift: &shift.Summary{}}
	r.look(d)
	want := []string{"Separation loss usually shows 98 of 100: set its sensor.", "Grain flow silent for 5 s: check sensor (2 times).", "Rotor speed silent for 5 s: check sensor (still so at the end)."}
	if !slices.Equal(r.Look, want) {
		t.Errorf("%q, want %q", r.Look, want)
	}
}

// NIST Handbook 44 (2024), appendix C: acre 0.404 685 6 ha, US gallon 3.785 412 l,
// avoirdupois pound 0.453 592 37 kg, short ton 0.907 184 74 t, mile 1.609 344 km.
func TestUnitsOfTheUS(t *testing.T) {
	for _, c := range []struct {
		v    float64
		unit string
		want float64
		name string
	}{
		{0.4046856, "ha", 1, "ac"}, {3.785412, "l", 1, "gal"}, {0.45359237, "kg", 1, "lb"}, {0.90718474, "t", 1, "ton"}, {1.609344, "km", 1, "mi"},
		{0.90718474 / 0.4046856, "t/ha", 1, "ton/ac"}, {3.785412 / 0.4046856, "l/ha", 1, "gal/ac"}, {3.785412 / 0.90718474, "l/t", 1, "gal/ton"},
		{0.45359237 / 0.4046856, "kg/ha", 1, "lb/ac"}, {7, "%", 7, "%"},
	} {
		if v, name := inUnits(signal.US, c.v, c.unit); math.Abs(v-c.want) > 1e-6 || name != c.name {
			t.Errorf("%v %s: %v %s, want %v %s", c.v, c.unit, v, name, c.want, c.name)
		}
		if v, name := inUnits(signal.Metric, c.v, c.unit); v != c.v || name != c.unit {
			t.Errorf("metric %v %s became %v %s", c.v, c.unit, v, name)
		}
	}
}

func TestACountOnTheGroundIsTold(t *testing.T) {
	var c export.Check
	if err := json.Unmarshal([]byte(`{"ground":{"machine_kg_ha":85,"machine_se_kg_ha":12,"header_kg_ha":20,"kernels":74,"enough":false}}`), &c); err != nil {
		t.Fatal(err)
	}
	for in, want := range map[signal.System]string{
		signal.Metric: " Behind the machine: 85.0 kg/ha ± 12.0. From the header: 20.0 kg/ha. From 74 kernels. That is too few to rely on.",
		signal.US:     " Behind the machine: 75.8 lb/ac ± 10.7. From the header: 17.8 lb/ac. From 74 kernels. That is too few to rely on.",
	} {
		if got := (&report{Style: Style{Units: in}}).ground(&c); got != want {
			t.Errorf("%s: %q, want %q", in, got, want)
		}
	}
}

// Two fields have a map each, and a point is drawn where it belongs.
func TestEachFieldHasItsMap(t *testing.T) {
	d := newTraces(nil)
	s := &shift.Summary{Fields: []shift.Field{{Number: 1, Name: "<West>"}, {Number: 2}}}
	for i := range s.Fields {
		f, west := &s.Fields[i], 10+0.02*float64(i)
		f.Located, f.South, f.North, f.West, f.East = true, 52, 52.002, signal.Degree(west), signal.Degree(west+0.004)
		for n := range 40 {
			row := history.Row{Activity: machine.Cutting}
			row.Set(signal.Latitude.ID, 52.001)
			row.Set(signal.Longitude.ID, west+0.0001*float64(n))
			d.addTrack(&row)
		}
	}
	there := mark{Number: 7, placed: true, place: point{10.022, 52.001}}
	maps := d.drawMaps(s, []mark{there}, nil)
	if len(maps) != 2 {
		t.Fatalf("%d maps", len(maps))
	}
	if first := string(maps[0]); !strings.Contains(first, "&lt;West&gt;") || strings.Contains(first, ">7</text>") || !strings.Contains(first, `class="cut" d="M`) {
		t.Errorf("the first field: %s", first)
	}
	if second := string(maps[1]); !strings.Contains(second, "Field 2") || !strings.Contains(second, ">7</text>") || !strings.Contains(second, `class="cut" d="M`) {
		t.Errorf("the second field: %s", second)
	}
}

// Names come from a configuration and from the bus. They stay words, also in the
// head of the printed page; and an empty shift without a clock has a page too.
func TestNamesStayWords(t *testing.T) {
	const name = "</style><script>alert('\"1')</script>\\<i>&amp;"
	r := &report{Shift: &shift.Summary{Machine: name, Crop: name}, Marks: []mark{{Number: 1, Text: name, x: 3720}}, Look: []string{name}, Checks: []told{{Text: name}}}
	r.Sentence = r.sentence()
	var out strings.Builder
	if err := page.Execute(&out, r); err != nil {
		t.Fatal(err)
	}
	text := out.String()
	for _, never := range []string{"<script", "<i>", "ZgotmplZ"} {
		if strings.Contains(text, never) {
			t.Errorf("%q is in the page", never)
		}
	}
	for _, want := range []string{"content: \"no date\"", "<td>1:02</td>", "there is no map", "Nothing was recorded", "Nothing was proposed"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing", want)
		}
	}
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// rgb is a colour as three parts of 1.
func rgb(t *testing.T, hex string) (c [3]float64) {
	t.Helper()
	if len(hex) == 4 {
		hex = string([]byte{'#', hex[1], hex[1], hex[2], hex[2], hex[3], hex[3]})
	}
	for i := range c {
		v, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c[i] = float64(v) / 255
	}
	return c
}

// Full loss of a kind of cone: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, A
// physiologically-based model for simulation of color vision deficiency, IEEE TVCG
// 15(6), 2009, table of matrices for severity 1.0, on linear RGB.
var eyes = map[string][3][3]float64{
	"usual":        {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
}

// lab is how an eye sees a colour, in CIE 1976 L*a*b* (D65; matrix of sRGB,
// IEC 61966-2-1).
func lab(c [3]float64, eye [3][3]float64) (out [3]float64) {
	for i, v := range c {
		if v <= 0.04045 {
			c[i] = v / 12.92
		} else {
			c[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	by := func(m [3][3]float64, v [3]float64) (o [3]float64) {
		for i := range m {
			o[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
		}
		return o
	}
	c = by(eye, c)
	for i := range c {
		c[i] = min(max(c[i], 0), 1)
	}
	xyz := by([3][3]float64{{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}, c)
	var f [3]float64
	for i, white := range [3]float64{0.9505, 1, 1.089} {
		if v := xyz[i] / white; v > 216.0/24389 {
			f[i] = math.Cbrt(v)
		} else {
			f[i] = (24389.0/27*v + 16) / 116
		}
	}
	return [3]float64{116*f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])}
}

func apart(a, b [3]float64) float64 {
	return math.Hypot(math.Hypot(a[0]-b[0], a[1]-b[1]), a[2]-b[2])
}

func TestTheArithmeticOfColours(t *testing.T) {
	if got := lab([3]float64{1, 0, 0}, eyes["usual"]); apart(got, [3]float64{53.24, 80.09, 67.20}) > 0.1 {
		t.Errorf("red of sRGB is %v; 53.24, 80.09, 67.20 is published everywhere (from memory)", got)
	}
	red, green := rgb(t, "#b03020"), rgb(t, "#5a6d20")
	if usual, blind := apart(lab(red, eyes["usual"]), lab(green, eyes["usual"])), apart(lab(red, eyes["deuteranopia"]), lab(green, eyes["deuteranopia"])); blind > usual/2 {
		t.Errorf("a red and a green are %.0f apart, and %.0f without the cone that tells them apart", usual, blind)
	}
}

// Colours that stand for something are told apart by each kind of eye, by 10 units
// of CIE 1976 and more; those of the map also in grey, the fuller the darker.
func TestColoursAreToldApart(t *testing.T) {
	var steps, times []string
	for _, s := range fullnessSteps {
		steps = append(steps, s.colour)
	}
	for _, m := range regexp.MustCompile(`\.(cutting|turning|unloading|waiting|blocked|idle|travelling) \{ background: (#[0-9a-f]+) }`).FindAllStringSubmatch(pageText, -1) {
		times = append(times, m[2])
	}
	if len(times) != 7 {
		t.Fatalf("%d colours of activities are found", len(times))
	}
	for name, eye := range eyes {
		for what, palette := range map[string][]string{"fullness": steps, "time": times} {
			for i := range palette {
				for j := range i {
					if d := apart(lab(rgb(t, palette[i]), eye), lab(rgb(t, palette[j]), eye)); d < 10 {
						t.Errorf("%s, %s: %s and %s are %.1f apart", what, name, palette[i], palette[j], d)
					}
				}
			}
		}
	}
	for i := 1; i < len(steps); i++ {
		if d := lab(rgb(t, steps[i-1]), eyes["usual"])[0] - lab(rgb(t, steps[i]), eyes["usual"])[0]; d < 10 {
			t.Errorf("in grey %s is %.1f darker than %s", steps[i], d, steps[i-1])
		}
	}
}
