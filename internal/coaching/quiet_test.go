// Package coaching puts the adviser to the whole way from a machine's frames:
// make-believe combine, core, adviser, and an operator.
package coaching

import (
	"testing"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
)

// A machine that is well set is left in peace: in 90 minutes of each crop at
// most two prompts, all of them about ground speed (the crop is thin or thick
// in places), no setting that nobody changed, and nothing that was done is
// called worse. Each check is asked for once, at a standstill.
func TestAWellSetMachineIsLeftInPeace(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays an hour and a half of five crops")
	}
	for _, crop := range []string{"wheat", "barley", "maize", "soybean", "canola"} {
		t.Run(crop, func(t *testing.T) {
			s := virtual.Scenario{Crop: crop, Hours: 1.5, InCrop: true}
			cfg, wrong := config.FromText(virtual.ConfigText(s))
			if len(wrong) > 0 {
				t.Fatal(wrong)
			}
			adviser := advise.New(advise.Facts{Machine: cfg.Machine, Crop: cfg.Crop, Knowledge: config.DefaultAdvice()})
			var events []detect.Event
			prompts, asked, seconds := 0, map[string]int{}, 0
			hear := func(s *machine.State, n *advise.Note) {
				switch n.Kind {
				case advise.PromptOpened:
					if prompts++; n.Prompt.Lever != "ground_speed" {
						t.Errorf("%.0f s: %s. %s", n.At.Seconds(), n.Prompt.Head, n.Prompt.Reason)
					}
				case advise.SettingChanged:
					if n.Setting.Lever != "ground_speed" {
						t.Errorf("%.0f s: %s was changed from %v to %v", n.At.Seconds(), n.Setting.Lever, *n.Setting.From, *n.Setting.To)
					}
				case advise.VerdictGiven:
					if n.Verdict.Outcome == "worse" {
						t.Errorf("%.0f s: %s", n.At.Seconds(), n.Verdict.Text)
					}
				case advise.CheckAsked:
					asked[n.Check.Check]++
					if s.Speed.Value > 0.5 {
						t.Errorf("%.0f s: %s, at %.1f km/h", n.At.Seconds(), n.Check.Text, s.Speed.Value)
					}
				}
			}
			c, err := core.New(cfg, core.Outputs{
				Event: func(e *detect.Event) { events = append(events, *e) },
				State: func(s *machine.State) {
					seconds++
					for _, n := range adviser.Step(s, events) {
						hear(s, &n)
					}
					events = events[:0]
				},
			})
			if err != nil {
				t.Fatal(err)
			}
			v := virtual.New(s, 7)
			for f := range v.Frames() {
				c.Frame(f)
			}
			if seconds < 50000 {
				t.Fatalf("only %d steps were made", seconds)
			}
			if prompts > 2 {
				t.Errorf("%d prompts", prompts)
			}
			if asked[advise.TankCheck] != 1 || asked[advise.GroundCheck] != 1 {
				t.Errorf("the checks asked for are %v", asked)
			}
		})
	}
}
