package advise

import (
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

var update = flag.Bool("update", false, "write the dialogues that come out as the golden ones")

func number0(v float64) *float64 { return &v }

// Each case is a dialogue as an operator would read it; the golden ones have
// been read line by line.
func TestDialogues(t *testing.T) {
	separation20 := map[string]float64{"separation-loss": 20}
	for _, c := range []struct {
		name  string
		facts Facts
		run   func(p *player)
	}{
		{"a rotor that is too slow is raised step by step", Facts{TargetPct: separation20}, func(p *player) {
			p.w.levels = separationBy
			p.play(2 * time.Hour)
		}},
		{"what makes it worse is put back, and the next move is made", Facts{TargetPct: map[string]float64{"cleaning-loss": 18}}, func(p *player) {
			p.w.levels = func(w *world) map[signal.ID]float64 {
				return map[signal.ID]float64{
					signal.CleaningLoss.ID:   28 * math.Exp((w.set["upper_sieve_mm"]-15)/6) * math.Exp((w.set["fan_speed_rpm"]-900)/90),
					signal.SeparationLoss.ID: 12,
				}
			}
			p.play(3 * time.Hour)
		}},
		{"what changes nothing is put back, and then there is nothing more to gain", Facts{TargetPct: map[string]float64{"cleaning-loss": 18}}, func(p *player) {
			p.w.levels = func(w *world) map[signal.ID]float64 {
				return map[signal.ID]float64{signal.CleaningLoss.ID: 26, signal.SeparationLoss.ID: 12}
			}
			p.play(4 * time.Hour)
		}},
		{"a sudden loss is met by ground speed first", Facts{TargetPct: separation20}, func(p *player) {
			p.w.levels = func(w *world) map[signal.ID]float64 {
				m := separationBy(w)
				m[signal.SeparationLoss.ID] *= 0.4
				if w.second > 200 {
					m[signal.SeparationLoss.ID] *= 4
				}
				return m
			}
			p.play(30 * time.Minute)
		}},
		{"a limit of the owner stops a move, and its price is told", Facts{TargetPct: map[string]float64{"separation-loss": 13},
			Machine: machine.Settings{Limits: map[string]machine.Limit{"rotor_speed_rpm": {Max: number0(860)}}}}, func(p *player) {
			p.w.levels = separationBy
			p.w.set["concave_mm"] = 12
			p.w.standS = 400
			p.play(90 * time.Minute)
		}},
		{"a lever outside the cab waits for a stop and for work to judge it by",
			Facts{TargetPct: map[string]float64{"separation-loss": 13}, Machine: machine.Settings{Limits: map[string]machine.Limit{"rotor_speed_rpm": {Max: number0(800)}}}}, func(p *player) {
				gap := 14.0 // no bus tells it
				p.w.levels = func(w *world) map[signal.ID]float64 {
					m := separationBy(w)
					m[signal.SeparationLoss.ID] *= 0.6 * math.Exp((gap-14)/8)
					return m
				}
				p.w.standS = 400
				p.operator = func(p *player, n *Note) {
					obeys(p, n)
					if n.Kind == PromptClosed && n.Prompt.Closed == ClosedDone && n.Prompt.By != nil {
						gap += way(n.Prompt.Direction) * *n.Prompt.By
					}
				}
				p.play(2 * time.Hour)
			}},
		{"a sample tells what no sensor does", Facts{}, func(p *player) {
			p.operator = func(p *player, n *Note) {
				obeys(p, n)
				if n.Kind == CheckAsked && n.Check.Check == TankCheck {
					p.after(30*time.Second, func(p *player) {
						grade := Some
						if p.w.set["rotor_speed_rpm"] > 810 {
							grade = Little
						}
						p.hear(p.a.Check(Check{Tank: &TankSample{Broken: None, Trash: Little, Unthreshed: grade}}))
					})
				}
			}
			p.play(90 * time.Minute)
		}},
		{"a count on the ground sets the targets", Facts{}, func(p *player) {
			p.w.levels = separationBy
			p.operator = func(p *player, n *Note) {
				obeys(p, n)
				if n.Kind == CheckAsked && n.Check.Check == GroundCheck {
					p.after(40*time.Second, func(p *player) {
						p.hear(p.a.Check(Check{Ground: &GroundCount{MachineKgHa: 300, MachineSE: 20, MachineKnown: true, YieldKgHa: 7000, Kernels: 240, Enough: true}}))
					})
				}
			}
			p.play(75 * time.Minute)
		}},
		{"what helps one and harms another is put back", Facts{TargetPct: map[string]float64{"separation-loss": 20, "broken-grain": 6}}, func(p *player) {
			p.w.levels = func(w *world) map[signal.ID]float64 {
				m := separationBy(w)
				m[signal.BrokenGrain.ID] = 5 * math.Exp((w.set["rotor_speed_rpm"]-800)/60)
				return m
			}
			p.play(time.Hour)
		}},
		{"later, and not possible", Facts{TargetPct: separation20}, func(p *player) {
			p.w.levels = separationBy
			p.operator = func(p *player, n *Note) {
				if n.Kind != PromptOpened {
					return
				}
				id := n.Prompt.ID
				p.after(5*time.Second, func(p *player) {
					reply := Later
					if id > 1 {
						reply = NotPossible
					}
					p.answer(id, reply)
				})
			}
			p.play(100 * time.Minute)
		}},
		{"nobody answers", Facts{TargetPct: separation20}, func(p *player) {
			p.w.levels = separationBy
			p.operator = nil
			p.play(time.Hour)
		}},
		{"what the operator does unasked is judged", Facts{}, func(p *player) {
			p.w.levels = separationBy
			p.w.second = 40
			p.play(4 * time.Minute)
			for range 50 { // an adjuster's ramp
				p.w.set["rotor_speed_rpm"]++
				p.play(200 * time.Millisecond)
			}
			p.play(20 * time.Minute)
			p.w.set["rotor_speed_rpm"] = 780
			p.play(25 * time.Minute)
		}},
		{"what he goes on moving is one change", Facts{TargetPct: separation20}, func(p *player) {
			p.w.levels = separationBy
			p.operator = func(p *player, n *Note) {
				if n.Kind == PromptOpened && n.Prompt.ID == 1 {
					id := n.Prompt.ID
					p.after(5*time.Second, func(p *player) { p.w.set["rotor_speed_rpm"] = 840; p.answer(id, Done) })
					p.after(30*time.Second, func(p *player) { p.w.set["rotor_speed_rpm"] = 880 })
				}
			}
			p.play(25 * time.Minute)
		}},
		{"he does something else than was asked", Facts{TargetPct: separation20}, func(p *player) {
			p.w.levels = separationBy
			p.operator = func(p *player, n *Note) {
				if n.Kind == PromptOpened && n.Prompt.ID == 1 {
					p.after(5*time.Second, func(p *player) { p.w.set["upper_sieve_mm"] = 19 })
				}
			}
			p.play(40 * time.Minute)
		}},
		{"spare capacity is offered once losses are fine", Facts{TargetPct: map[string]float64{"separation-loss": 90, "cleaning-loss": 60}}, func(p *player) {
			p.w.levels = separationBy
			p.w.set["ground_speed_kmh"] = 3.5
			p.play(3 * time.Minute)
			p.events = []detect.Event{{Kind: "spare-capacity", Phase: detect.Raised}}
			p.play(25 * time.Minute)
		}},
		{"what worked last time is offered at a standstill and is where to go", Facts{TargetPct: separation20}, func(p *player) {
			p.a.Restore(Memory{Saved: 0, Best: []Best{{Crop: "wheat", MoisturePct: 15, FeedTH: 25,
				Settings: []SettingValue{{Lever: "rotor_speed", Value: 870, Unit: "rpm"}, {Lever: "upper_sieve", Value: 17, Unit: "mm"}}}}}, 0, 20*time.Hour)
			p.w.levels = separationBy
			p.play(30 * time.Minute)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlayer(1, c.facts)
			c.run(p)
			got := p.said.String()
			path := filepath.Join("testdata", "dialogues", strings.NewReplacer(" ", "-", ",", "").Replace(c.name)+".txt")
			if *update {
				if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the dialogue is\n%s\nbut should be\n%s", got, want)
			}
		})
	}
}
