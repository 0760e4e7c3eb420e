package publish

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"chaffinch/detect/advise"
	"chaffinch/internal/problem"
)

func TestInputsThatAreTaken(t *testing.T) {
	for _, c := range []struct{ name, body string }{
		{"acknowledge", `{"event":"e7-12"}`},
		{"answer", `{"prompt":"p7-3","reply":"done"}`},
		{"answer", ` {"prompt":"p7-3","reply":"put-back","to":12.5} `},
		{"check", `{"tank":{"broken":"some","trash":"none","unthreshed":"much"}}`},
		{"check", `{"tank":{"broken":"little"},"returns":{"mostly":"clean grain"},"sees":[{"condition":"lodged","is":true}]}`},
		{"check", `{"ground":{"places":[{"where":"pan","kernels":120,"area_m2":0.3}],"discharge_width_m":6,"yield_t_ha":7,"price_per_t":200,"unthreshed_behind":"some"}}`},
		{"setup", `{"crop":"maize","header":"maize","field":"North","limits":{"rotor_speed_rpm":{"max":900}},"seat_adjustable":["rotor_speed"],"targets":{"separation-loss":20}}`},
		{"setup", `{"limits":{},"seat_adjustable":[]}`},
	} {
		in, err := ParseInput(c.name, []byte(c.body))
		if err != nil || in.Name() != c.name {
			t.Errorf("%s %s: %v", c.name, c.body, err)
		}
		line, err := AppendInput(nil, seconds(3600), &in, synced)
		if err != nil || !strings.HasPrefix(string(line), `{"time":"2025-07-28T13:00:00.000Z","`+c.name+`":{`) || !json.Valid(line) {
			t.Errorf("%s: %v", line, err)
		}
	}
}

func TestInputsThatCannotBe(t *testing.T) {
	for _, c := range []struct{ name, body, says string }{
		{"else", `{}`, "acknowledge, answer, check and setup"},
		{"acknowledge", ``, "no JSON object"},
		{"acknowledge", `null`, "no JSON object"},
		{"acknowledge", `[]`, "no JSON object"},
		{"acknowledge", `{"event":"12"}`, `"12" is no id`},
		{"acknowledge", `{"event":"e07-1"}`, "is no id"},
		{"acknowledge", `{"event":"p7-1"}`, "is no id"},
		{"acknowledge", `{"event":12}`, "event cannot be a number"},
		{"acknowledge", `{"event":"e7-1"}{}`, "behind the JSON object"},
		{"acknowledge", `{"event":"e7-1","else":1}`, `unknown field "else"`},
		{"answer", `{"prompt":"p7-1","reply":"don"}`, `did you mean "done"?`},
		{"answer", `{"reply":"done"}`, "is no id of a prompt"},
		{"check", `{}`, "the check is empty"},
		{"check", `{"tank":{}}`, "nobody looked"},
		{"check", `{"tank":{"broken":"lots"}}`, "none, little, some, much"},
		{"check", `{"returns":{}}`, "clean grain, heads"},
		{"check", `{"sees":[{"condition":"rain","is":true}]}`, "straw-damp"},
		{"check", `{"ground":{}}`, "there are 0 places"},
		{"check", `{"ground":{"places":[{"where":"moon","kernels":1,"area_m2":1}]}}`, "pre-harvest, header, behind, pan"},
		{"check", strings.Repeat(" ", MaxInput) + `{}`, "too many"},
		{"setup", `{}`, "the set-up is empty"},
		{"setup", `{"header":"big"}`, "there is no header"},
		{"setup", `{"limits":{"coolant_c":{"max":3}}}`, "measured, not set"},
		{"setup", `{"seat_adjustable":["rotor"]}`, "there is no lever"},
		{"setup", `{"targets":{"separation-loss":0}}`, "more than 0"},
		{"setup", `{"targets":{"rotor-sag":20}}`, "separation-loss, cleaning-loss"},
		{"setup", `{"field":"a\u0007"}`, "no name of a field"},
	} {
		_, err := ParseInput(c.name, []byte(c.body))
		var p *problem.Problem
		if !errors.As(err, &p) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s %.60s: %v, should say %q", c.name, c.body, err, c.says)
		}
	}
	if err := (Input{}).Validate(); err == nil {
		t.Error("an input of no parts is valid")
	}
}

// Whatever comes in, what is taken can be written as a line and read again, and
// gives a check that the adviser can take.
func FuzzParseInput(f *testing.F) {
	for _, seed := range []string{`{"event":"e7-12"}`, `{"prompt":"p7-3","reply":"done","to":1e308}`, `{"tank":{"broken":"some"}}`,
		`{"ground":{"places":[{"where":"pan","kernels":120,"area_m2":0.3}],"discharge_width_m":6}}`,
		`{"limits":{"rotor_speed_rpm":{"max":900}}}`, `{"field":"\ud800"}`} {
		for _, name := range []string{"acknowledge", "answer", "check", "setup"} {
			f.Add(name, []byte(seed))
		}
	}
	f.Fuzz(func(t *testing.T, name string, body []byte) {
		in, err := ParseInput(name, body)
		if err != nil {
			return
		}
		line, err := AppendInput(nil, 0, &in, unset)
		if err != nil || !json.Valid(line) {
			t.Fatalf("%s: %v", line, err)
		}
		var again Input
		if err := json.Unmarshal([]byte("{"+strings.TrimPrefix(string(line), `{"time":null,`)), &again); err != nil || !reflect.DeepEqual(again, in) {
			t.Fatalf("%+v became %+v, %v", in, again, err)
		}
		if in.Check != nil {
			check, result, err := in.Check.Advise(Usual{CutWidthM: 9, ThousandKernelG: 35})
			if err == nil && check.Ground != nil {
				if !json.Valid(Reply{Ground: result}.Append(nil)) || check.Ground.MachineKgHa < 0 || math.IsNaN(check.Ground.MachineKgHa) {
					t.Fatalf("%+v", check.Ground)
				}
			}
		}
	})
}

// The small-grain method of the extension service of North Dakota (Hofman, How
// to estimate grain harvest losses, NDSU, 2003), the numbers of row H061 of
// testdata/harvest-checks.csv: 150 kernels on a square foot behind a machine
// with a 30 ft header and 5 ft of discharge, 20 before it: 1.083 bushels an
// acre.
func TestAGroundCountGivesTheLoss(t *testing.T) {
	const squareFoot, bushelAcre = 0.09290304, 60 * 0.45359237 / 0.40468564224 // m2, kg/ha
	tkw := bushelAcre * 0.1 * squareFoot / 20 * 1000
	body := fmt.Sprintf(`{"ground":{"places":[{"where":"behind","kernels":1500,"area_m2":%g},{"where":"header","kernels":200,"area_m2":%g}],
		"discharge_width_m":1.524,"thousand_kernel_g":%g,"yield_t_ha":4,"unthreshed_behind":"little"}}`, 10*squareFoot, 10*squareFoot, tkw)
	in, err := ParseInput("check", []byte(body))
	if err != nil {
		t.Fatal(err)
	}
	check, result, err := in.Check.Advise(Usual{CutWidthM: 9.144, ThousandKernelG: 35})
	if err != nil || math.Abs(result.Machine.KgHa/bushelAcre-1.083) > 0.001 {
		t.Fatalf("%+v, %v", result, err)
	}
	g := check.Ground
	if g.MachineKgHa != result.Machine.KgHa || !g.MachineKnown || g.HeaderKnown || g.YieldKgHa != 4000 || !g.Enough || g.Kernels != 1700 || g.UnthreshedBehind != advise.Little {
		t.Errorf("%+v", g)
	}
	var reply struct {
		Ground struct {
			Machine, Header map[string]any
		}
	}
	text := Reply{Text: "x", Ground: result}.Append(nil)
	if err := json.Unmarshal(text, &reply); err != nil || reply.Ground.Header != nil || reply.Ground.Machine["kg_ha"] != 72.9 || reply.Ground.Machine["money_per_ha"] != nil {
		t.Errorf("%s: %v", text, err)
	}
	if got := string(Reply{}.Append(nil)); got != `{"text":null,"ground":null}` {
		t.Error(got)
	}
}

func TestACountThatTellsNothing(t *testing.T) {
	for name, body := range map[string]string{
		"only pre-harvest":      `{"ground":{"places":[{"where":"pre-harvest","kernels":12,"area_m2":1}]}}`,
		"no discharge width":    `{"ground":{"places":[{"where":"pan","kernels":12,"area_m2":1}]}}`,
		"behind alone":          `{"ground":{"places":[{"where":"behind","kernels":12,"area_m2":1}],"discharge_width_m":5}}`,
		"kernels below nothing": `{"ground":{"places":[{"where":"pan","kernels":-12,"area_m2":1}],"discharge_width_m":5}}`,
		"no area":               `{"ground":{"places":[{"where":"pan","kernels":12}],"discharge_width_m":5}}`,
	} {
		in, err := ParseInput("check", []byte(body))
		if err == nil {
			_, _, err = in.Check.Advise(Usual{CutWidthM: 9, ThousandKernelG: 35})
		}
		var p *problem.Problem
		if !errors.As(err, &p) || p.Try == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestIDs(t *testing.T) {
	for _, s := range []string{"p7-3", "p4294967301-1"} {
		if boot, n, ok := ParseID('p', s); !ok || PromptID(boot, n) != s {
			t.Errorf("%s: %d %d %v", s, boot, n, ok)
		}
	}
	for _, s := range []string{"", "p", "p-", "p1-", "p-1", "p+1-1", "p01-1", "p1-1-1", "e1-1", "p1-99999999999999999999", "P1-1", "p1-1 "} {
		if _, _, ok := ParseID('p', s); ok {
			t.Errorf("%q is an id", s)
		}
	}
}

func TestSetupsAreLaidOver(t *testing.T) {
	text := func(s string) *string { return &s }
	older := Setup{Crop: text("wheat"), Field: text("North"), Targets: map[string]float64{"trash": 3, "returns": 20}, SeatAdjustable: []string{"reel"}}
	got := older.Over(Setup{Crop: text("maize"), Targets: map[string]float64{"trash": 5}, SeatAdjustable: []string{}})
	want := Setup{Crop: text("maize"), Field: text("North"), Targets: map[string]float64{"trash": 5, "returns": 20}, SeatAdjustable: []string{}}
	if !reflect.DeepEqual(got, want) || older.Targets["trash"] != 3 {
		t.Errorf("got %+v", got)
	}
}
