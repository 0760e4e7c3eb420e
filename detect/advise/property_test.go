package advise

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"pgregory.net/rapid"
)

// Whatever the machine does and the operator answers, the dialogue keeps its
// manners.
func TestTheDialogueKeepsItsManners(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo, hi := 760.0, 880.0
		p := newPlayer(rapid.Uint64().Draw(t, "seed"), Facts{
			TargetPct: map[string]float64{"separation-loss": 20, "cleaning-loss": 15, "broken-grain": 30},
			Machine:   machine.Settings{Limits: map[string]machine.Limit{"rotor_speed_rpm": {Min: &lo, Max: &hi}}}})
		gain := rapid.Float64Range(-0.02, 0.02).Draw(t, "gain")
		loss := rapid.Float64Range(5, 60).Draw(t, "loss")
		p.w.passS = rapid.IntRange(20, 500).Draw(t, "pass")
		p.w.set["concave_mm"] = 12
		p.w.levels = func(w *world) map[signal.ID]float64 {
			away := w.set["rotor_speed_rpm"] - 820
			return map[signal.ID]float64{
				signal.SeparationLoss.ID: loss * math.Exp(-gain*away) * w.feed() / 25,
				signal.CleaningLoss.ID:   loss / 2 * math.Exp(gain*(w.set["fan_speed_rpm"]-900)),
				signal.BrokenGrain.ID:    5 * math.Exp(away/200),
			}
		}
		replies := rapid.SliceOfN(rapid.IntRange(0, 5), 1, 40).Draw(t, "replies")
		p.operator = func(p *player, n *Note) {
			if n.Kind == CheckAsked && replies[int(n.Number)%len(replies)] > 2 {
				p.hear(p.a.Check(Check{Tank: &TankSample{Broken: Grade(n.Number % 5), Trash: Little, Unthreshed: Grade(n.Number % 3)}}))
			}
			if n.Kind != PromptOpened {
				return
			}
			switch id := n.Prompt.ID; replies[int(id)%len(replies)] {
			case 0:
			case 1:
				p.after(20*time.Second, func(p *player) { p.answer(id, Later) })
			case 2:
				p.after(20*time.Second, func(p *player) { p.answer(id, NotPossible) })
			default:
				obeys(p, n)
			}
		}
		open := 0
		failed, unclear := map[string]bool{}, map[string]int{}
		var opened []signal.Instant
		seen := 0
		p.each = func(p *player, s *machine.State) {
			if s.Now.Sub(0)%(7*time.Minute) == 0 {
				p.events = append(p.events, detect.Event{Kind: "engine-overload", Phase: detect.Phase(seen % 3)})
			}
			for _, n := range p.notes[seen:] {
				seen++
				switch n.Kind {
				case PromptOpened:
					q := n.Prompt
					open++
					if open > 1 {
						t.Fatalf("two prompts are open at %s", clock(n.At))
					}
					if !q.Stopped && s.Activity != machine.Cutting {
						t.Fatalf("%s at %s while %v", q.Head, clock(n.At), s.Activity)
					}
					if q.Stopped && (s.Activity != machine.Idle || q.Caution == "") {
						t.Fatalf("%s at %s while %v, with caution %q", q.Head, clock(n.At), s.Activity, q.Caution)
					}
					if q.To != nil && q.Lever == "rotor_speed" && !q.Back && (*q.To < lo || *q.To > hi) {
						t.Fatalf("%s is outside the limits", q.Head)
					}
					if key := q.Symptom + q.Lever + q.Direction; !q.Back && failed[key] {
						t.Fatalf("%s for %s has failed already", q.Head, q.Symptom)
					}
					if len(opened) > 0 && n.At.Sub(opened[len(opened)-1]) < 2*time.Minute {
						t.Fatalf("two prompts within two minutes at %s", clock(n.At))
					}
					opened = append(opened, n.At)
					if k := len(opened); k > mostAnHour && n.At.Sub(opened[k-1-mostAnHour]) < time.Hour {
						t.Fatalf("more than %d prompts within an hour at %s", mostAnHour, clock(n.At))
					}
				case PromptClosed:
					open--
					if n.Prompt.Closed == ClosedNotPossible && !n.Prompt.Back {
						failed[n.Prompt.Symptom+n.Prompt.Lever+n.Prompt.Direction] = true
					}
				case VerdictGiven:
					v := n.Verdict
					key := v.Symptom + v.Lever + v.Direction
					switch {
					case v.Prompt == 0:
					case v.Outcome == "worse", v.Outcome == "better" && v.PutBack:
						failed[key] = true
					case v.Outcome != "better": // once more with a larger step if it may have helped
						unclear[key]++
						failed[key] = unclear[key] > mostUnsure
					}
				}
				if _, err := json.Marshal(n); err != nil {
					t.Fatal(err)
				}
			}
			if q := p.a.Open(); q != nil && !q.Stopped && s.Activity != machine.Cutting {
				t.Fatalf("%s is open while %v", q.Head, s.Activity)
			}
		}
		p.play(8 * time.Hour)
		// In a field where nothing changes it comes to an end.
		before := 0
		for _, n := range p.notes {
			if n.Kind == PromptOpened && !n.Prompt.Back && n.At > signal.Instant(6*time.Hour) && n.Prompt.Lever != "ground_speed" {
				before++
			}
		}
		answers := false
		for _, r := range replies {
			answers = answers || r > 1
		}
		if allObey(replies) && answers && p.w.passS > 120 && before > 3 {
			t.Fatalf("%d moves are still asked for after six hours:\n%s", before, p.said.String())
		}
	})
}

func allObey(replies []int) bool {
	for _, r := range replies {
		if r < 3 {
			return false
		}
	}
	return true
}

// Nothing that can be heard makes it panic, and no number that is none comes
// out of it.
func TestNothingMakesItPanic(t *testing.T) {
	wild := []float64{0, 1, -1, 100, 1e300, -1e300, math.NaN(), math.Inf(1), math.Inf(-1)}
	rapid.Check(t, func(t *rapid.T) {
		any := rapid.SampledFrom(wild)
		a := New(Facts{Machine: machine.DefaultSettings(), Crop: wheat(), Knowledge: base(), TargetPct: map[string]float64{"separation-loss": any.Draw(t, "target")}})
		var s machine.State
		for range rapid.IntRange(1, 400).Draw(t, "steps") {
			s.Now = s.Now.Add(time.Duration(rapid.SampledFrom([]int64{1, 1, 1, 1, 300, 400000}).Draw(t, "gap")) * 100 * time.Millisecond)
			s.Activity = machine.Activity(rapid.IntRange(0, 10).Draw(t, "activity"))
			s.Speed = machine.Speed{Value: signal.KPH(any.Draw(t, "speed")), Known: true}
			s.Feed = machine.Feed{Rate: signal.TPH(any.Draw(t, "feed")), Basis: machine.FromPower, Fullness: signal.Percent(any.Draw(t, "full")), FullnessKnown: true}
			id := signal.ID(rapid.IntRange(0, signal.Count-1).Draw(t, "signal"))
			s.Signals.Set(id, signal.Reading[float64]{Value: any.Draw(t, "value"), At: s.Now, Heard: s.Now, Quality: signal.Good})
			var events []detect.Event
			if k := detect.Kinds(); rapid.Bool().Draw(t, "event") {
				events = append(events, detect.Event{Kind: k[rapid.IntRange(0, len(k)-1).Draw(t, "kind")].Name, Phase: detect.Phase(rapid.IntRange(0, 3).Draw(t, "phase"))})
			}
			say := func(notes []Note) {
				for _, n := range notes {
					if _, err := json.Marshal(n); err != nil {
						t.Fatal(err)
					}
				}
			}
			say(a.Step(&s, events))
			switch rapid.IntRange(0, 9).Draw(t, "told") {
			case 0:
				v := any.Draw(t, "to")
				say(a.Answer(Answer{Prompt: uint64(rapid.IntRange(0, 9).Draw(t, "prompt")), Reply: Reply(rapid.IntRange(0, 5).Draw(t, "reply")), To: &v}))
			case 1:
				say(a.Check(Check{Tank: &TankSample{Broken: Grade(rapid.IntRange(0, 9).Draw(t, "broken")), Unthreshed: Grade(rapid.IntRange(0, 9).Draw(t, "heads"))},
					Returns: &ReturnsSample{Mostly: Mix(rapid.IntRange(0, 9).Draw(t, "mix"))},
					Ground:  &GroundCount{MachineKgHa: any.Draw(t, "kg"), HeaderKgHa: any.Draw(t, "header"), MachineKnown: true, HeaderKnown: true, YieldKgHa: any.Draw(t, "yield"), Enough: true}}))
			case 2:
				field := rapid.SampledFrom([]string{"", "north", "south"}).Draw(t, "field")
				say(a.Setup(Setup{Field: &field, TargetPct: map[string]float64{"trash": any.Draw(t, "aim")}}))
			case 3:
				say(a.Reset(nil))
			}
		}
		if _, err := json.Marshal(a.Memory()); err != nil {
			t.Fatal(err)
		}
	})
}
