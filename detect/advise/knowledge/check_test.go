package knowledge_test

import (
	"strings"
	"testing"

	"chaffinch/detect/advise/knowledge"
	"chaffinch/internal/config"
)

// Each mistake in what is otherwise good must be found, at its place, with a
// remedy.
func TestMistakesAreFound(t *testing.T) {
	type base = knowledge.Base
	symptom := func(b *base, name string) *knowledge.Symptom { return b.SymptomNamed(name) }
	move := func(b *base, name string, i int) *knowledge.Move { return &symptom(b, name).Move[i] }
	for _, c := range []struct {
		name, key, what string
		spoil           func(b *base)
	}{
		{"no such lever", "trash.move.0.lever", `no lever "fan"`, func(b *base) { move(b, "trash", 0).Lever = "fan" }},
		{"no such direction", "trash.move.0.direction", `no direction "more"`, func(b *base) { move(b, "trash", 0).Direction = "more" }},
		{"no words for the direction", "trash.move.0.direction", "no words", func(b *base) { move(b, "trash", 0).Direction = "look" }},
		{"no such condition", "trash.move.0.when.0", `no condition "windy"`, func(b *base) { move(b, "trash", 0).When = []string{"windy"} }},
		{"no such header", "rotor-sag.move.1.headers.0", "no header", func(b *base) { move(b, "rotor-sag", 1).Headers = []string{"draper"} }},
		{"no such risk", "trash.move.0.risks.0", "no symptom", func(b *base) { move(b, "trash", 0).Risks[0] = "dust" }},
		{"its own risk", "trash.move.0.risks.0", "symptom that the move is for", func(b *base) { move(b, "trash", 0).Risks[0] = "trash" }},
		{"risk not told", "trash.move.0", "nobody is told", func(b *base) { move(b, "trash", 0).RiskWords = "" }},
		{"no source", "trash.move.0", "no source", func(b *base) { move(b, "trash", 0).Sources = nil }},
		{"no such source", "trash.move.0.sources.0", "no source", func(b *base) { move(b, "trash", 0).Sources = []string{"hearsay"} }},
		{"no such caution", "rotor-sag.move.0.caution", "no caution", func(b *base) { move(b, "rotor-sag", 0).Caution = "beware" }},
		{"reason too long", "trash.move.0.reason", "17 words", func(b *base) { move(b, "trash", 0).Reason = strings.Repeat("word ", 17) }},
		{"reason a sentence", "trash.move.0.reason", "part of a sentence", func(b *base) { move(b, "trash", 0).Reason = "Air helps." }},
		{"head too long", "trash.move.0.say", "13 words", func(b *base) { move(b, "trash", 0).Say = strings.Repeat("word ", 13) }},
		{"both lists of crops", "rotor-sag.move.1.not_crops", "crops as well", func(b *base) { move(b, "rotor-sag", 1).NotCrops = []string{"maize"} }},
		{"when and unless", "trash.move.0.unless", "when and unless", func(b *base) { move(b, "trash", 0).Unless = []string{"cleaning-low"} }},
		{"can never be", "trash.move.0.when", "exclude each other", func(b *base) { move(b, "trash", 0).When = []string{"cleaning-low", "cleaning-high"} }},
		{"steps", "trash.move.0.steps", "steps is -1", func(b *base) { move(b, "trash", 0).Steps = -1 }},
		{"a symptom is missing", "returns", "missing", func(b *base) { symptom(b, "returns").Name = "tailings" }},
		{"a lever is missing", "levers", `"reel" is missing`, func(b *base) { b.LeverNamed("reel").Name = "reels" }},
		{"a lever twice", "levers.lever.1.name", "twice", func(b *base) { b.Lever[1].Name = b.Lever[0].Name }},
		{"a lever from nowhere", "levers.lever.0.from", "cannot be worked", func(b *base) { b.Lever[0].From = "cab" }},
		{"a unit that is not the signal's", "levers.lever.0.unit", "km/h", func(b *base) { b.Lever[0].Unit = "mph" }},
		{"no such signal", "levers.lever.0.signal", "no signal", func(b *base) { b.Lever[0].Signal = "speed" }},
		{"a step of canola", "levers.lever.3.crop_steps.canola", "factor", func(b *base) { b.Lever[3].CropSteps["canola"] = 50 }},
		{"no time to settle", "levers.lever.0.settle_s", "settle_s is 0", func(b *base) { b.Lever[0].SettleS = 0 }},
		{"imperative too long", "levers.lever.0.up", "8 words", func(b *base) { b.Lever[0].Up = strings.Repeat("word ", 8) }},
		{"by hand without caution", "levers.lever.2", "no caution", func(b *base) { b.Lever[2].Caution = "" }},
		{"a caution that lets the engine run", "levers.lever.2.caution", `does not say "engine off"`, func(b *base) { b.CautionNamed("stopped").Words = "Mind your fingers." }},
		{"driving faster is all there is", "crop-loss", "ends", func(b *base) { s := symptom(b, "crop-loss"); s.Move = s.Move[:1] }},
		{"nothing from the seat", "crop-loss", "from the seat", func(b *base) { s := symptom(b, "crop-loss"); s.Move = s.Move[1:] }},
		{"both ways in one symptom", "trash.move.9", "same symptom", func(b *base) {
			s := symptom(b, "trash")
			m := s.Move[1]
			m.Direction = "up"
			s.Move = append(s.Move, m)
		}},
		{"both ways, and said so in one only", "cleaning-loss.move.10", "same symptom", func(b *base) {
			for i := range symptom(b, "cleaning-loss").Move {
				move(b, "cleaning-loss", i).Either = false
			}
		}},
		{"one side of a pair is silent", "broken-grain.move.0", "takes it back", func(b *base) { move(b, "broken-grain", 0).Risks = []string{"separation-loss", "returns", "rotor-sag"} }},
		{"driving faster forgets the losses", "spare-capacity.move.0", "takes it back", func(b *base) { move(b, "spare-capacity", 0).Risks = []string{"engine-load"} }},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := config.DefaultAdvice()
			c.spoil(b)
			for _, p := range b.Validate() {
				if p.Try == "" {
					t.Errorf("no remedy: %v", p)
				}
				if p.Key == c.key && strings.Contains(p.What, c.what) || p.Key == c.key && c.what == "ends" && strings.Contains(p.What, "do not end") {
					return
				}
			}
			t.Errorf("%s was not found; found %v", c.key, b.Validate())
		})
	}
}

// An empty base has mistakes, and none that is half there makes the checks or
// the lookups stumble.
func TestNothingAtAllIsFoundWanting(t *testing.T) {
	if n := len((&knowledge.Base{}).Validate()); n < 12 {
		t.Errorf("%d mistakes", n)
	}
	odd := &knowledge.Base{Symptom: []knowledge.Symptom{{Name: "trash", Move: []knowledge.Move{{}}}, {}}, Lever: []knowledge.Lever{{}}}
	if len(odd.Validate()) == 0 || odd.Moves("trash", "wheat", "grain") == nil || odd.Moves("none", "", "") != nil {
		t.Error("nothing was found")
	}
	if p := odd.Prompt(&knowledge.Move{Lever: "none"}, "", true); p.Head != "" {
		t.Error(p)
	}
}
