package advise

import (
	"testing"

	"chaffinch/detect/advise/knowledge"
)

// The header goes up and down with the ground and from pass to pass: what the bus
// shows of its height counts only once the operator has said that he moved it, and
// only if it is as much as he was asked for.
func TestAHeightThatRoamsIsMovedOnlyWhenTheOperatorSaysSo(t *testing.T) {
	lever := &knowledge.Lever{Name: "cut_height", Signal: "header_height_mm", Unit: "mm", Step: 20}
	height, ok := newFollower(lever, "soybean")
	if !ok || !height.roams {
		t.Fatal("the height of the header does not roam")
	}
	for _, c := range []struct {
		name  string
		stage stage
		saw   shift
		want  stage
		to    float64 // of the trial
	}{
		{"before he answers", proposed, shift{from: 170, to: 130}, proposed, 130},
		{"while nothing is asked", idle, shift{from: 170, to: 130}, idle, 130},
		{"after his word, by much less than asked", judging, shift{from: 170, to: 152}, judging, 130},
		{"after his word, the other way", judging, shift{from: 152, to: 190}, judging, 130},
		{"after his word, about as far as asked", judging, shift{from: 165, to: 128}, settling, 128},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := newPlayer(1, Facts{}).a
			a.stage = c.stage
			a.trial = trial{of: -1, lever: lever, direction: knowledge.Down, why: ByPrompt, prompt: 1, from: 170, to: 130, known: true}
			a.closed, a.closedAt = a.trial, a.now
			if c.stage == proposed {
				a.prompt = &Prompt{ID: 1}
			}
			a.shifted(&height, c.saw)
			if a.stage != c.want || a.trial.to != c.to {
				t.Errorf("stage %d to %g, want %d to %g", a.stage, a.trial.to, c.want, c.to)
			}
		})
	}
}
