package core

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/publish"
	"chaffinch/publish/contract"
)

// Whatever a make-believe harvest with an operator who answers makes the program
// publish is held to the schemas of the contract.
func TestAllThatIsPublishedKeepsTheContract(t *testing.T) {
	const seed = 6
	scenario := virtual.Random(seed, 1.5)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	origin := time.Date(2025, 7, 28, 12, 0, 0, 0, time.UTC)
	for _, synced := range []bool{true, false} {
		clock := publish.Clock{Boot: 1, Wall: func(at signal.Instant) (time.Time, bool) { return origin.Add(time.Duration(at)), synced }}
		topics := publish.NewTopics("west 2")
		board := publish.NewBoard(topics, clock)
		seen := map[string]int{}
		held := func(topic string, payload []byte) {
			if len(payload) == 0 {
				return // a retained topic is cleared
			}
			below := strings.TrimPrefix(topic, publish.Prefix+topics.Machine()+"/")
			name := contract.Of(below, payload)
			seen[name]++
			if err := contract.Check(name, payload); err != nil && seen[name] < 3 {
				t.Errorf("%s: %v\n%s", topic, err, payload)
			}
		}
		seq := uint64(0)
		number := func() uint64 { seq++; return seq }
		var thinks *Core
		var err error
		tell := func(name, body string) {
			in, err := publish.ParseInput(name, []byte(body))
			if err != nil {
				t.Fatal(err)
			}
			if err := contract.Check("do-"+name, []byte(body)); err != nil {
				t.Error(err)
			}
			thinks.Tell(thinks.Stamp(thinks.Now()), in, func(publish.Reply, error) {})
		}
		checked := false
		thinks, err = New(cfg, Outputs{
			Event: func(e *detect.Event) {
				r := EventRecord(number(), thinks.Now(), e, clock)
				held(topics.Event(), r.Payload)
				for _, m := range board.Apply(e, r.Payload) {
					held(m.Topic, m.Payload)
				}
				if e.Phase == detect.Raised {
					tell("acknowledge", fmt.Sprintf(`{"event":%q}`, publish.EventID(1, e.Number)))
				}
			},
			Note: func(n *advise.Note) {
				r := NoteRecord(number(), n, clock)
				for _, m := range board.ApplyNote(n, r.Payload) {
					held(m.Topic, m.Payload)
				}
				if n.Kind == advise.PromptOpened {
					tell("answer", fmt.Sprintf(`{"prompt":%q,"reply":%q}`, publish.PromptID(1, n.Prompt.ID), n.Prompt.Answers[0]))
				}
			},
			Shift: func(s ShiftTold) {
				if s.Summary == nil {
					return
				}
				phase := shift.PhaseBegan
				if s.Phase == ShiftEnded {
					phase = shift.PhaseEnded
				}
				r, err := ShiftRecord(number(), thinks.Now(), phase, s.Summary, func(m shift.Moment) (time.Time, bool) { return clock.Wall(m.At) }, clock)
				if err != nil {
					t.Error(err)
				}
				held(topics.Shift(), r.Payload)
			},
			State: func(s *machine.State) {
				if s.Now%signal.Instant(time.Second) != 0 {
					return
				}
				if m, ok := board.Live(publish.Moment{State: s, Bus: publish.Bus{State: "ok", LoadPct: math.NaN()}, Route: thinks.RouteName}); ok {
					held(m.Topic, m.Payload)
				}
				if !checked && s.Now > signal.Instant(20*time.Minute) {
					checked = true
					tell("check", `{"tank":{"broken":"little","trash":"some"},"returns":{"mostly":"mixed"},"sees":[{"condition":"straw-damp","is":true}],"ground":{"places":[{"where":"behind","kernels":180,"area_m2":0.5},{"where":"header","kernels":20,"area_m2":0.5}],"yield_t_ha":7,"discharge_width_m":5}}`)
					tell("setup", `{"field":"Long acre","targets":{"separation-loss":12}}`)
				}
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		combine := virtual.New(scenario, seed)
		for f := range combine.Frames() {
			thinks.Frame(f)
		}
		thinks.Finish()
		if s := thinks.ShiftToEnd(); s != nil {
			r, err := ShiftRecord(number(), thinks.Now(), shift.PhaseEnded, s, func(m shift.Moment) (time.Time, bool) { return clock.Wall(m.At) }, clock)
			if err != nil {
				t.Error(err)
			}
			held(topics.Shift(), r.Payload)
		}
		t.Log(seen)
		for _, name := range []string{"live", "event", "prompt", "check", "note", "shift"} {
			if seen[name] == 0 {
				t.Errorf("no payload of %s came", name)
			}
		}
	}
}
