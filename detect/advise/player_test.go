package advise

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// world is a field that is harvested pass by pass, with a machine whose levels
// answer to its settings.
type world struct {
	rng     *rand.Rand
	set     map[string]float64 // by the name of the signal
	levels  func(w *world) map[signal.ID]float64
	noise   float64 // standard deviation over level, at 1 Hz
	passS   int
	turnS   int
	standS  int // at the end of each fourth pass; half of it with threshing off
	density float64
	moist   float64
	now     signal.Instant
	second  int
	wander  map[signal.ID]float64
	state   machine.State
}

func newWorld(seed uint64) *world {
	return &world{
		rng: rand.New(rand.NewPCG(seed, 1)), noise: 0.25, passS: 360, turnS: 25, standS: 90, density: 1, moist: 14,
		set:    map[string]float64{"ground_speed_kmh": 5, "rotor_speed_rpm": 800, "fan_speed_rpm": 900, "upper_sieve_mm": 15},
		wander: map[signal.ID]float64{},
	}
}

// part is where in the round a second lies.
func (w *world) part() machine.Activity {
	round := w.passS + w.turnS
	four := 4*round + w.standS
	at := w.second % four
	switch {
	case at >= 4*round+w.standS/2:
		return machine.Idle
	case at >= 4*round:
		return machine.Waiting
	case at%round >= w.passS:
		return machine.Turning
	}
	return machine.Cutting
}

// feed is the crop entering, t/h.
func (w *world) feed() float64 { return 5 * w.set["ground_speed_kmh"] * w.density }

// next makes the state of the next tenth of a second.
func (w *world) next() *machine.State {
	s := &w.state
	w.now = w.now.Add(machine.Period)
	s.Now = w.now
	whole := w.now%signal.Instant(time.Second) == 0
	if whole {
		w.second++
		w.density = 1 + 0.9*(w.density-1) + 0.03*w.rng.NormFloat64()
	}
	part := w.part()
	if part == machine.Cutting && s.Activity != machine.Cutting {
		s.InCrop = w.now
	}
	if part != s.Activity {
		s.Since = w.now
	}
	s.Activity = part
	s.Engine = machine.Engine{Running: machine.Yes, Reference: 2000, ReferenceKnown: true}
	s.Threshing, s.Header = machine.Yes, machine.No
	speed := 0.0
	switch part {
	case machine.Cutting:
		speed, s.Header = w.set["ground_speed_kmh"], machine.Yes
	case machine.Turning:
		speed = 6
	case machine.Idle:
		s.Threshing = machine.No
	}
	s.Speed = machine.Speed{Value: signal.KPH(speed), Known: true}
	s.Feed = machine.Feed{}
	if part == machine.Cutting {
		s.Feed = machine.Feed{Rate: signal.TPH(w.feed()), SD: 1, Basis: machine.FromPower, Fullness: signal.Percent(w.feed() * 3.2), FullnessKnown: true}
	}
	if !whole && s.Now > signal.Instant(machine.Period) {
		return s
	}
	put := func(id signal.ID, v float64) {
		s.Signals.Set(id, signal.Reading[float64]{Value: v, At: w.now, Heard: w.now, Quality: signal.Good})
	}
	for id := range signal.ID(signal.Count) {
		if v, ok := w.set[id.String()]; ok && id != signal.GroundSpeed.ID {
			if id == signal.RotorSpeed.ID {
				v *= 1 + 0.004*w.rng.NormFloat64()
			}
			put(id, v)
		}
	}
	put(signal.EngineSpeed.ID, 2000)
	put(signal.EngineLoad.ID, 80)
	put(signal.GrainMoisture.ID, w.moist)
	put(signal.Unloading.ID, 0)
	if part == machine.Cutting && w.levels != nil {
		levels := w.levels(w)
		for id := range signal.ID(signal.Count) { // in order: the noise is drawn as it goes
			v, ok := levels[id]
			if !ok {
				continue
			}
			w.wander[id] = 0.6*w.wander[id] + 0.8*w.noise*w.rng.NormFloat64()
			put(id, min(100, max(0, v*(1+w.wander[id]))))
		}
	}
	return s
}

// player plays a world to an adviser, with an operator.
type player struct {
	w        *world
	a        *Adviser
	operator func(p *player, n *Note)
	each     func(p *player, s *machine.State)
	due      []due
	events   []detect.Event
	said     strings.Builder
	notes    []Note
}

type due struct {
	at signal.Instant
	do func(p *player)
}

func (p *player) after(d time.Duration, do func(p *player)) {
	p.due = append(p.due, due{p.w.now.Add(d), do})
}

func (p *player) hear(notes []Note) {
	for i := range notes {
		n := notes[i]
		p.notes = append(p.notes, n)
		if line := told(&n); line != "" {
			fmt.Fprintf(&p.said, "%s  %s\n", clock(n.At), line)
		}
		if p.operator != nil {
			p.operator(p, &n)
		}
	}
}

func (p *player) play(d time.Duration) {
	for end := p.w.now.Add(d); p.w.now < end; {
		s := p.w.next()
		for i := 0; i < len(p.due); i++ {
			if p.due[i].at <= p.w.now {
				do := p.due[i].do
				p.due = append(p.due[:i], p.due[i+1:]...)
				i--
				do(p)
			}
		}
		events := p.events
		p.events = nil
		p.hear(p.a.Step(s, events))
		if p.each != nil {
			p.each(p, s)
		}
	}
}

func (p *player) answer(id uint64, r Reply) { p.hear(p.a.Answer(Answer{Prompt: id, Reply: r})) }

func clock(at signal.Instant) string {
	s := int(at.Seconds())
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// told is a note as a line of a dialogue.
func told(n *Note) string {
	switch n.Kind {
	case PromptOpened:
		p := n.Prompt
		line := fmt.Sprintf("? %s. %s", p.Head, p.Reason)
		for _, more := range []string{p.Risk, p.Limit, p.Caution} {
			if more != "" {
				line += " " + more
			}
		}
		return line
	case PromptClosed:
		return "  (" + n.Prompt.Closed + ")"
	case VerdictGiven:
		return "= " + n.Verdict.Text
	case SettingChanged:
		if n.Setting.From != nil {
			return fmt.Sprintf("  %s %s to %s, %s", n.Setting.Lever, number1(*n.Setting.From), number1(*n.Setting.To), n.Setting.Why)
		}
		return fmt.Sprintf("  %s, %s", n.Setting.Lever, n.Setting.Why)
	case CheckAsked:
		return "? " + n.Check.Text + " (" + n.Check.Why + ")"
	case CheckTold:
		return "! " + n.Taken.Text
	case NothingMore, WorkedBefore:
		return "* " + n.Remark.Text
	}
	return ""
}

// obeys is an operator who does what the prompt says, after some seconds.
func obeys(p *player, n *Note) {
	if n.Kind != PromptOpened {
		return
	}
	ask := *n.Prompt
	p.after(8*time.Second, func(p *player) {
		if p.a.Open() == nil || p.a.Open().ID != ask.ID {
			return
		}
		if ask.To == nil {
			p.answer(ask.ID, Done)
			return
		}
		for i := range p.a.facts.Knowledge.Lever {
			if l := &p.a.facts.Knowledge.Lever[i]; l.Name == ask.Lever {
				p.w.set[l.Signal] = *ask.To
			}
		}
	})
}

// base is a small knowledge: two losses, broken grain and trash.
func base() *knowledge.Base {
	lever := func(name, signal, unit string, step, pct, round float64, up, down string) knowledge.Lever {
		return knowledge.Lever{Name: name, Words: strings.ReplaceAll(name, "_", " "), Signal: signal, Unit: unit, Step: step, StepPct: pct,
			Round: round, StepWords: "by one small step", Up: up, Down: down, From: knowledge.FromSeat, SettleS: 45, JudgeS: 60, SampleS: 120}
	}
	stopped := lever("concave", "concave_mm", "mm", 2, 0, 1, "Open the concave", "Close the concave")
	stopped.From, stopped.Caution = knowledge.FromMachine, "stopped"
	return &knowledge.Base{
		Lever: []knowledge.Lever{
			lever("ground_speed", "ground_speed_kmh", "km/h", 0.3, 7, 0.1, "Drive faster", "Drive slower"),
			lever("rotor_speed", "rotor_speed_rpm", "rpm", 20, 4, 10, "Raise the rotor speed", "Lower the rotor speed"),
			lever("fan_speed", "fan_speed_rpm", "rpm", 30, 4, 10, "Raise the fan speed", "Lower the fan speed"),
			lever("upper_sieve", "upper_sieve_mm", "mm", 2, 0, 0.5, "Open the upper sieve", "Close the upper sieve"),
			stopped,
		},
		Symptom: []knowledge.Symptom{
			{Name: knowledge.SeparationLoss, Words: "separation loss", Move: []knowledge.Move{
				{Lever: "ground_speed", Direction: knowledge.Down, Reason: "feed moves this loss most", RiskWords: "costs output"},
				{Lever: "rotor_speed", Direction: knowledge.Up, When: []string{knowledge.BrokenFine}, Reason: "a faster rotor throws more grain out of the straw",
					Risks: []string{knowledge.BrokenGrain}, RiskWords: "may break more grain"},
				{Lever: "concave", Direction: knowledge.Down, Reason: "grain that is threshed out earlier has more time to fall through", RiskWords: "may break more grain"},
				{Lever: "moment", Direction: knowledge.Wait, Say: "Wait until the straw is drier"},
			}},
			{Name: knowledge.CleaningLoss, Words: "cleaning loss", Move: []knowledge.Move{
				{Lever: "upper_sieve", Direction: knowledge.Up, Reason: "grain that finds no opening rides over the rear", RiskWords: "lets more chaff in", Risks: []string{knowledge.Trash}},
				{Lever: "fan_speed", Direction: knowledge.Down, Either: true, Reason: "too much air blows grain out", RiskWords: "may lose more"},
				{Lever: "fan_speed", Direction: knowledge.Up, Either: true, Reason: "too little air lets a mat carry grain over", RiskWords: "may lose more"},
			}},
			{Name: knowledge.BrokenGrain, Words: "broken grain", Move: []knowledge.Move{
				{Lever: "rotor_speed", Direction: knowledge.Down, Reason: "fast bars are the first cause of broken grain", Risks: []string{knowledge.SeparationLoss, knowledge.Unthreshed}, RiskWords: "may leave heads unthreshed"},
			}},
			{Name: knowledge.Unthreshed, Words: "unthreshed heads", Move: []knowledge.Move{
				{Lever: "rotor_speed", Direction: knowledge.Up, Reason: "harder threshing opens tough heads", Risks: []string{knowledge.BrokenGrain}, RiskWords: "may break more grain"},
			}},
			{Name: knowledge.SpareCapacity, Words: "spare capacity", Move: []knowledge.Move{
				{Lever: "ground_speed", Direction: knowledge.Up, When: []string{knowledge.LossLow}, Reason: "there is room for more crop", Risks: []string{knowledge.SeparationLoss, knowledge.CleaningLoss}, RiskWords: "may lose more grain"},
			}},
		},
		Caution: []knowledge.Caution{{Name: "stopped", Words: "Engine off, key out, wait until all has stopped."}},
	}
}

func wheat() machine.Crop {
	return machine.Crop{Name: "wheat", LossTarget: 3, MOGRatio: 0.8, ThousandKernelG: 35}
}

func newPlayer(seed uint64, f Facts) *player {
	if f.Knowledge == nil {
		f.Knowledge = base()
	}
	if f.Crop.Name == "" {
		f.Crop = wheat()
	}
	if f.Machine.Name == "" {
		limits := f.Machine.Limits
		f.Machine = machine.DefaultSettings()
		f.Machine.Limits = limits
		f.Machine.CutWidth = 9
	}
	return &player{w: newWorld(seed), a: New(f), operator: obeys}
}

// separationBy makes separation loss fall as the rotor turns faster.
func separationBy(w *world) map[signal.ID]float64 {
	rotor := w.set["rotor_speed_rpm"]
	x := w.feed() / 25
	return map[signal.ID]float64{
		signal.SeparationLoss.ID: 40 * math.Pow(x, 2) * math.Exp(-(rotor-800)/80),
		signal.CleaningLoss.ID:   12 * x,
		signal.BrokenGrain.ID:    5 * math.Exp((rotor-800)/200),
	}
}

func number1(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }
