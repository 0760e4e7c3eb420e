package advise

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// Ten times a second, all day: while there is nothing to tell it allocates
// nothing, whatever is being waited for.
func TestStepAllocatesNothingWhileNothingHappens(t *testing.T) {
	for _, c := range []struct {
		name  string
		until func(p *player) bool
	}{
		{"idle", func(p *player) bool { return p.w.second > 60 }},
		{"a prompt is open", func(p *player) bool { return p.a.stage == proposed }},
		{"settling", func(p *player) bool { return p.a.stage == settling && p.a.trial.settled > 5 }},
		{"judging", func(p *player) bool {
			return p.a.stage == judging && p.a.trial.judged > 61 && p.a.trial.judged+15 < p.a.trial.next
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlayer(1, Facts{TargetPct: map[string]float64{"separation-loss": 20}})
			p.w.levels = separationBy
			for n := 0; !c.until(p); n++ {
				if n > 36000 {
					t.Fatal("that never came")
				}
				p.play(machine.Period)
			}
			s := *p.w.next()
			if n := testing.AllocsPerRun(100, func() {
				s.Now = s.Now.Add(machine.Period)
				for id := range signal.ID(signal.Count) {
					if r := s.Signals.Get(id); r.Quality == signal.Good {
						r.Heard = s.Now
						s.Signals.Set(id, r)
					}
				}
				p.a.Step(&s, nil)
			}); n != 0 {
				t.Errorf("%v allocations a step", n)
			}
		})
	}
}

// Noise, quantisation and drift of a setting are no change; a ramp is one.
func TestASettingIsFollowed(t *testing.T) {
	rotor := base().LeverNamed("rotor_speed") // a step is 4 %: 32 rpm at 800
	for _, c := range []struct {
		name  string
		value func(second int) float64
		want  []shift // from and to
	}{
		{"it stays", func(int) float64 { return 800 }, nil},
		{"it is quantised to 8 rpm", func(s int) float64 { return 8 * math.Round((803+3*math.Sin(float64(s)))/8) }, nil},
		{"it is noisy by 1 %", func(s int) float64 { return 800 + 8*math.Sin(float64(s*s)) }, nil},
		{"it drifts by 20 rpm in an hour", func(s int) float64 { return 800 + 20*float64(s)/3600 }, nil},
		{"it sags for four seconds", func(s int) float64 {
			if s > 100 && s < 105 {
				return 760
			}
			return 800
		}, nil},
		{"it is stepped", func(s int) float64 {
			if s > 100 {
				return 840
			}
			return 800
		}, []shift{{from: 800, to: 840}}},
		{"an adjuster takes ten seconds for it", func(s int) float64 { return 800 + 4*float64(min(max(s-100, 0), 10)) }, []shift{{from: 800, to: 840}}},
		{"there and back", func(s int) float64 {
			if s > 100 && s < 200 {
				return 760
			}
			return 800
		}, []shift{{from: 800, to: 760}, {from: 760, to: 800}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, _ := newFollower(rotor, "wheat")
			var got []shift
			var s machine.State
			s.Activity = machine.Cutting
			for second := range 3600 {
				for range stepsASecond {
					s.Now = s.Now.Add(machine.Period)
					s.Signals.Set(signal.RotorSpeed.ID, signal.Reading[float64]{Value: c.value(second), At: s.Now, Heard: s.Now, Quality: signal.Good})
					f.step(&s)
				}
				if seen, ok := f.second(s.Now); ok {
					got = append(got, shift{from: 10 * math.Round(seen.from/10), to: 10 * math.Round(seen.to/10)}) // as a prompt would round them
				}
			}
			if !reflect.DeepEqual(got, c.want) {
				t.Errorf("saw %v, want %v", got, c.want)
			}
		})
	}
}

// The rotor turns with the engine: an engine that sags is no change of setting.
func TestAnEngineThatSagsIsNoChangeOfTheRotor(t *testing.T) {
	f, _ := newFollower(base().LeverNamed("rotor_speed"), "wheat")
	var s machine.State
	s.Activity = machine.Cutting
	s.Engine = machine.Engine{Reference: 2000, ReferenceKnown: true}
	for second := range 600 {
		engine := 2000.0
		if second > 300 {
			engine = 1860
		}
		for range stepsASecond {
			s.Now = s.Now.Add(machine.Period)
			put := func(id signal.ID, v float64) {
				s.Signals.Set(id, signal.Reading[float64]{Value: v, At: s.Now, Heard: s.Now, Quality: signal.Good})
			}
			put(signal.EngineSpeed.ID, engine)
			put(signal.RotorSpeed.ID, 0.4*engine)
			f.step(&s)
		}
		if seen, ok := f.second(s.Now); ok {
			t.Errorf("saw %v", seen)
		}
	}
}

// What is stored is the same after a night in JSON; what was tried is of
// yesterday then.
func TestTheDayIsRemembered(t *testing.T) {
	facts := Facts{TargetPct: map[string]float64{"separation-loss": 20}}
	p := newPlayer(1, facts)
	p.w.levels = separationBy
	p.play(time.Hour)
	p.hear(p.a.Check(Check{Tank: &TankSample{Broken: Little, Trash: None, Unthreshed: None}}))
	kept := p.a.Memory()
	if len(kept.Journal) == 0 || kept.Journal[0].Verdict == nil || len(kept.Tried) == 0 || len(kept.Best) == 0 || len(kept.Calibrations) == 0 {
		t.Fatalf("the day is not all there: %+v", kept)
	}
	text, err := json.Marshal(kept)
	if err != nil {
		t.Fatal(err)
	}
	var m Memory
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		away  time.Duration
		tried bool
	}{
		{"after ten minutes", 10 * time.Minute, true},
		{"after a night", 10 * time.Hour, false},
		{"after nobody knows how long", -1, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			q := newPlayer(1, facts)
			q.a.Restore(m, 0, c.away)
			again := q.a.Memory()
			if (len(again.Tried) > 0) != c.tried || (len(again.Journal) > 0) != c.tried {
				t.Errorf("%d moves and %d changes are known", len(again.Tried), len(again.Journal))
			}
			if len(again.Best) != len(m.Best) || len(again.Calibrations) != len(m.Calibrations) {
				t.Errorf("%d settings and %d calibrations are known of %d and %d", len(again.Best), len(again.Calibrations), len(m.Best), len(m.Calibrations))
			}
			away := max(c.away, 0)
			if c.away < 0 {
				away = newDay
			}
			if age, want := again.Saved.Sub(again.Best[0].AtNS), m.Saved.Sub(m.Best[0].AtNS)+away; age != want {
				t.Errorf("the best settings are %v old, should be %v", age, want)
			}
		})
	}
}

// The knowledge's symptoms and ours are the same, in the same order.
func TestSymptomsAreThoseOfTheKnowledge(t *testing.T) {
	for i, name := range knowledge.Symptoms() {
		if symptoms[i].name != name {
			t.Errorf("symptom %d is %s, the knowledge has %s", i, symptoms[i].name, name)
		}
	}
	if len(knowledge.Symptoms()) != symptomCount {
		t.Error("there are others")
	}
}

// Another field forgets what was calibrated here, and finds it on coming back.
func TestEachFieldHasItsOwnTargets(t *testing.T) {
	p := newPlayer(1, Facts{})
	p.w.levels = separationBy
	p.play(10 * time.Minute)
	north, south := "north", "south"
	p.hear(p.a.Setup(Setup{Field: &north}))
	p.play(5 * time.Minute)
	count := Check{Ground: &GroundCount{MachineKgHa: 150, MachineSE: 12, MachineKnown: true, YieldKgHa: 7000, Enough: true, Kernels: 300}}
	p.hear(p.a.Check(count))
	here := p.a.Targets()
	if len(here) != 2 || here[0].Basis != ByGroundCount || here[0].KgHaPerPoint <= 0 {
		t.Fatalf("the count gives %+v", here)
	}
	p.hear(p.a.Setup(Setup{Field: &south}))
	if n := len(p.a.Targets()); n != 0 {
		t.Errorf("%d targets in a field where nobody has counted", n)
	}
	p.play(5 * time.Minute)
	p.hear(p.a.Setup(Setup{Field: &north}))
	if back := p.a.Targets(); len(back) != 2 || back[0].TargetPct != here[0].TargetPct || back[0].AgeS < 300 {
		t.Errorf("coming back gives %+v, was %+v", back, here)
	}
}

// A count sets targets by plain arithmetic: 7000 kg/ha and 210 lost may lose
// 3 % of 7210, 216 kg/ha, so levels may be a thirtieth more than they were.
func TestACountSetsTargets(t *testing.T) {
	for _, c := range []struct {
		name                 string
		separation, cleaning float64
		count                GroundCount
		want                 [2]float64
	}{
		{"as much as may be lost", 30, 10, GroundCount{MachineKgHa: 210, Enough: true}, [2]float64{31.2, 20.6}},
		{"twice as much, and the rotor's", 40, 8, GroundCount{MachineKgHa: 420, Enough: true}, [2]float64{17.4, 12.7}},
		{"much less", 20, 10, GroundCount{MachineKgHa: 70, Enough: true}, [2]float64{80.9, 70.9}},
		{"few kernels prove little", 20, 10, GroundCount{MachineKgHa: 70, MachineSE: 35, Enough: false}, [2]float64{35.5, 25.4}},
		{"the header takes its part", 30, 10, GroundCount{MachineKgHa: 105, HeaderKgHa: 105, HeaderKnown: true, Enough: true}, [2]float64{32.3, 21.2}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlayer(1, Facts{})
			p.w.noise = 0
			p.w.levels = func(*world) map[signal.ID]float64 {
				return map[signal.ID]float64{signal.SeparationLoss.ID: c.separation, signal.CleaningLoss.ID: c.cleaning}
			}
			p.play(4 * time.Minute)
			c.count.MachineKnown, c.count.YieldKgHa = true, 7000
			p.hear(p.a.Check(Check{Ground: &c.count}))
			got := p.a.Targets()
			for i, want := range c.want {
				if math.Abs(got[i].TargetPct-want) > 0.11 {
					t.Errorf("%s: target %v, want %v", got[i].Symptom, got[i].TargetPct, want)
				}
			}
		})
	}
}

// What lies near the edge of a grade comes out on either side of it: one grade is
// no clear change. Two counts have to differ by more than kernels and places do.
func TestWhatALookCanTell(t *testing.T) {
	for _, c := range []struct {
		before, after Grade
		want          judge.Outcome
	}{
		{Some, Some, judge.NoClearChange}, {Some, Little, judge.NoClearChange}, {Some, Much, judge.NoClearChange},
		{Some, None, judge.Better}, {Much, Little, judge.Better}, {None, Some, judge.Worse},
		{NotLooked, None, judge.CouldNotJudge}, {Much, NotLooked, judge.CouldNotJudge},
	} {
		if got := graded(c.before, c.after); got != c.want {
			t.Errorf("%s, then %s: %s, want %s", c.before, c.after, got, c.want)
		}
	}
	for _, c := range []struct {
		before, after float64
		want          judge.Outcome
	}{
		{200, 150, judge.NoClearChange}, {200, 100, judge.Better}, {100, 200, judge.Worse}, {0, 0, judge.CouldNotJudge},
	} {
		if got := counted(c.before, c.before/20, c.after, c.after/20); got != c.want {
			t.Errorf("%g, then %g kg/ha: %s, want %s", c.before, c.after, got, c.want)
		}
	}
}

// Texts are in the owner's units, the numbers beside them metric.
func TestTextsAreInTheUnitsOfTheOwner(t *testing.T) {
	a := New(Facts{Units: signal.US})
	m := New(Facts{})
	for _, c := range []struct {
		v                float64
		unit, us, metric string
	}{
		{8.046720, "km/h", "5 mph", "8 km/h"}, // 1 mile is 1.609344 km
		{25.4, "mm", "1 in", "25.4 mm"},
		{907.18474, "t/h", "1000 tons/h", "907 t/h"},
		{1120.85, "kg/ha", "1000 lb/ac", "1121 kg/ha"}, // 1 lb/ac is 1.12085 kg/ha
		{860, "rpm", "860 rpm", "860 rpm"},
	} {
		if got := a.setting(c.v, c.unit); got != c.us {
			t.Errorf("%g %s: %s, want %s", c.v, c.unit, got, c.us)
		}
		if got := m.setting(c.v, c.unit); got != c.metric {
			t.Errorf("%g %s: %s, want %s", c.v, c.unit, got, c.metric)
		}
	}
	p := newPlayer(1, Facts{Units: signal.US, TargetPct: map[string]float64{"separation-loss": 13},
		Machine: machine.Settings{Limits: map[string]machine.Limit{"rotor_speed_rpm": {Max: number(860)}}}})
	p.w.levels = separationBy
	p.play(2 * time.Hour)
	mph := false
	for _, n := range p.notes {
		var texts []string
		switch {
		case n.Prompt != nil:
			texts = []string{n.Prompt.Head, n.Prompt.Reason, n.Prompt.Limit}
			if n.Prompt.Unit == "km/h" {
				mph = strings.Contains(n.Prompt.Head, "mph") && *n.Prompt.From > 4.5
			}
		case n.Verdict != nil:
			texts = []string{n.Verdict.Text}
		case n.Taken != nil:
			texts = []string{n.Taken.Text}
		case n.Remark != nil:
			texts = []string{n.Remark.Text}
		}
		for _, text := range texts {
			for _, unit := range []string{"km/h", " mm", " t/h", "kg/ha"} {
				if strings.Contains(text, unit) {
					t.Errorf("%q is metric", text)
				}
			}
		}
	}
	if !mph {
		t.Error("no prompt for ground speed in mph")
	}
}

// What the operator has seen of the straw is known after a restart as well, for as
// long as it would have been without one, and not on another day.
func TestWhatWasSeenIsRemembered(t *testing.T) {
	damp := Check{Sees: []Observation{{Condition: knowledge.StrawDamp, Is: true}}}
	a := New(Facts{})
	a.now = signal.Instant(time.Hour)
	a.Check(damp)
	for _, c := range []struct {
		away, later time.Duration
		want        bool
	}{
		{10 * time.Minute, time.Hour, true},
		{10 * time.Minute, 5 * time.Hour, false},
		{3 * time.Hour, 30 * time.Minute, true},
		{3 * time.Hour, 90 * time.Minute, false},
		{newDay, 0, false},
		{-1, 0, false},
	} {
		text, err := json.Marshal(a.Memory())
		if err != nil {
			t.Fatal(err)
		}
		var m Memory
		if err := json.Unmarshal(text, &m); err != nil {
			t.Fatal(err)
		}
		b := New(Facts{})
		b.Restore(m, signal.Instant(time.Minute), c.away)
		b.now = b.now.Add(c.later)
		if got := b.condition(knowledge.StrawDamp, separationLoss); got.holds != c.want {
			t.Errorf("away %v, %v later: %v, want %v", c.away, c.later, got.holds, c.want)
		}
	}
}

// Figures that only say that nothing can be said are left out of the sentence.
func TestAVerdictHasFiguresThatTellSomething(t *testing.T) {
	a := New(Facts{})
	a.trial.of = separationLoss
	for _, c := range []struct {
		low, high float64
		want      string
	}{
		{-11, 21, "No clear change: separation loss +5 % (-11 to +21); under 30 % cannot be told in 90 s."},
		{-100, 809, "No clear change: separation loss varied too much to tell."},
		{-100, math.Inf(1), "No clear change: separation loss varied too much to tell."},
	} {
		said := Verdict{JudgedS: 90}
		a.wordVerdict(&said, &judge.Verdict{Level: judge.Level{Outcome: judge.NoClearChange, ChangePct: 5, SureLowPct: c.low, SureHighPct: c.high, ResolvablePct: 30}}, -1, false)
		if said.Text != c.want {
			t.Errorf("%q, want %q", said.Text, c.want)
		}
	}
}
