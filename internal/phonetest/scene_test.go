package phonetest

import (
	"math"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/publish"
)

// past is how long the machine has worked when a run of the fixture begins.
const past = 21 * time.Minute

// scene is what the machine does.
type scene struct {
	activity machine.Activity
	kmh      float64
	fullness float64 // %; NaN is not known yet
	blind    bool    // loss sensors are silent
	deaf     bool    // nothing is heard: the key is off
}

var (
	cutting  = scene{activity: machine.Cutting, kmh: 5.4, fullness: 82}
	standing = scene{activity: machine.Idle}
	learning = scene{activity: machine.Cutting, kmh: 4.8, fullness: math.NaN(), blind: true}
)

// moment is the scene as the program has it. sway moves it a little.
func (sc scene) moment(now signal.Instant, sway float64) publish.Moment {
	s := &machine.State{Now: now, Activity: sc.activity, Since: now.Add(-5 * time.Minute)}
	if sc.deaf {
		return publish.Moment{State: s, Bus: publish.Bus{State: canbus.Up.String()}}
	}
	set := func(id signal.ID, v float64, q signal.Quality) {
		s.Signals.Set(id, signal.Reading[float64]{Value: v, At: now, Heard: now, Quality: q})
	}
	set(signal.GroundSpeed.ID, sc.kmh, signal.Good)
	set(signal.EngineSpeed.ID, 2043, signal.Good)
	set(signal.EngineLoad.ID, max(12, sc.fullness*0.9+sway), signal.Good)
	set(signal.Coolant.ID, 91, signal.Good)
	set(signal.FanSpeed.ID, 880, signal.Good)
	set(signal.RotorSpeed.ID, 812, signal.Good)
	loss := signal.Good
	if sc.blind {
		set(signal.EngineLoad.ID, 78, signal.Good)
		loss = signal.NotAvailable
		set(signal.GrainMoisture.ID, 0, signal.SensorError)
	} else {
		set(signal.GrainMoisture.ID, 14.2, signal.Good)
	}
	set(signal.SeparationLoss.ID, 24, loss)
	set(signal.CleaningLoss.ID, 11, loss)
	if !sc.blind {
		set(signal.CropLoss.ID, 0.42, signal.Good)
	}
	if sc.activity == machine.Cutting {
		s.Feed = machine.Feed{Rate: 28.4, SD: 1.9, Basis: machine.FromPower}
		if !math.IsNaN(sc.fullness) {
			s.Feed.Fullness, s.Feed.FullnessKnown = signal.Percent(sc.fullness+sway), true
		}
	}
	return publish.Moment{State: s, Bus: publish.Bus{State: canbus.Up.String(), FramesPerS: 700, LoadPct: 31},
		Route: func(signal.Route) string { return "engine message" }}
}

// fillPast lives through the twenty minutes before: passes, turns, a stretch
// that is too full, one of which nothing is known, and what was said meanwhile.
func (p *program) fillPast() {
	at := func(minutes float64) signal.Instant { return signal.Instant(minutes * float64(time.Minute)) }
	done, looked := false, false
	for t := signal.Instant(0); t < signal.Instant(past); t = t.Add(time.Second) {
		m := time.Duration(t).Minutes()
		sc := cutting
		sway := 9*math.Sin(m*2.1) + 5*math.Sin(m*7.3)
		switch {
		case m < 2.5:
			sc = learning
		case math.Mod(m, 5) > 4.5:
			sc = scene{activity: machine.Turning, kmh: 7}
		case m > 11 && m < 12.5:
			sway += 26
		case m > 15.5:
			sc.fullness, sway = 63, sway/2
		}
		p.board.Live(sc.moment(t, sway))
		if m > 5.2 && !looked {
			looked = true
			p.tell(advise.Note{At: at(5.2), Kind: advise.CheckTold, Taken: &advise.CheckTaken{Check: advise.Check{Tank: &advise.TankSample{Broken: advise.Little}}, Text: "Tank sample: broken grain little.", At: at(5.2)}})
		}
		if m > 12.7 && !done {
			done = true
			e := overload
			e.Phase, e.Began, e.Raised, e.Ended = detect.Ended, at(11.1), at(11.6), at(12.4)
			p.seq++
			p.board.Apply(&e, publish.AppendEventMessage(nil, p.seq, at(11.6), &e, p.clock()))
			p.tell(advise.Note{At: at(12.7), Kind: advise.SettingChanged, Setting: &advise.Change{Lever: "ground_speed", From: of(5.9), To: of(5.4), Unit: "km/h", Why: advise.ByOwn, Seen: true, At: at(12.7)}})
		}
	}
}

func of(v float64) *float64 { return &v }

// What the fixture can tell; texts are of the program's own kind.
var (
	rotor = detect.Event{Number: 41, Kind: "rotor-slowing", Phase: detect.Raised, Priority: detect.High, Activity: machine.Cutting,
		Signal: "rotor_speed_rpm", Text: "Rotor down 9 %: slow down now"}
	overload = detect.Event{Number: 42, Kind: "engine-overload", Phase: detect.Raised, Priority: detect.Medium, Activity: machine.Cutting,
		Signal: "engine_load_pct", Text: "Engine load 99 %: ease ground speed"}
	silent = detect.Event{Number: 43, Kind: "signal-silent", Subject: "cleaning_loss_pct", Phase: detect.Raised, Priority: detect.Medium,
		Activity: machine.Cutting, Signal: "cleaning_loss_pct", Text: "Cleaning loss silent for 12 s: check sensor"}
	spare = detect.Event{Number: 44, Kind: "spare-capacity", Phase: detect.Raised, Priority: detect.Low, Activity: machine.Cutting,
		Text: "Machine only 63 % full: could go faster"}
	// plug has the longest word of an alert.
	plug = detect.Event{Number: 46, Kind: "bus-errors", Phase: detect.Raised, Priority: detect.High, Activity: machine.Cutting,
		Text: "1 % bus errors: check plug and terminators"}
	// longest has as many words as an alert about the program itself may have.
	longest = detect.Event{Number: 45, Kind: "not-recording", Phase: detect.Raised, Priority: detect.Medium, Activity: machine.Cutting,
		Text: "Not recording: the disk does not take writes for 34 s now"}

	faster = advise.Prompt{ID: 3, Symptom: "spare-capacity", Lever: "ground_speed", Direction: "up", From: of(5.4), To: of(5.8), Unit: "km/h",
		Head:   "Drive faster, from 5.4 to 5.8 km/h",
		Reason: "The machine is only 63 % full: losses are fine, so there is room for more crop.",
		Risk:   "It may raise losses.", Caution: "Only as fast as the ground, the slope and your view allow.",
		Limit:   "",
		Answers: []string{"done", "later", "not-possible"}}
	// raise has as many words in its head as it may have.
	raise = advise.Prompt{ID: 4, Symptom: "separation-loss", Lever: "rotor_speed", Direction: "up", From: of(800), To: of(860), Unit: "rpm",
		Head:    "Raise the rotor speed from 800 to 860 rpm, then hold speed",
		Reason:  "Separation loss is 37 of 100, target 28, at 24 t/h: a faster rotor throws more grain out of the straw.",
		Risk:    "It may break more grain.",
		Caution: "If it plugs: engine off, key out, wait until all has stopped, then follow the operator's manual.",
		Limit:   "Your 950 rpm limit for rotor speed stops the next move; it holds you near 26 t/h.",
		Answers: []string{"done", "later", "not-possible"}}
	better = advise.Verdict{Prompt: 2, Symptom: "separation-loss", Lever: "rotor_speed", Direction: "up", Outcome: "better", By: "sensor",
		Text: "Better: separation loss fell by 55 % (47 to 62) at the same feed."}
	groundWanted = advise.CheckWanted{ID: 1, Check: advise.GroundCheck, Why: advise.WhyNewCrop, Text: "Count the loss on the ground, engine off and key out"}
	tankWanted   = advise.CheckWanted{ID: 2, Check: advise.TankCheck, Why: advise.WhyChange, Text: "Look at a sample from the tank", Prompt: 2}

	setup = publish.SetupNow{
		Crop: "wheat", Header: "grain", Field: "Long Acre",
		Limits:         map[string]publish.Limit{"rotor_speed_rpm": {Max: of(950)}, "ground_speed_kmh": {Min: of(2), Max: of(7.5)}},
		SeatAdjustable: []string{"rotor_speed", "fan_speed"},
		Targets:        []publish.TargetNow{{Symptom: "separation-loss", TargetPct: 28, Basis: "ground-count"}},
		Crops:          []string{"barley", "canola", "maize", "wheat"}, Headers: machine.HeaderKinds(), Levers: machine.Levers(),
		CutWidthM: 9, ThousandKernelG: 35, Units: "metric",
	}
)

func opened(pr advise.Prompt) advise.Note { return advise.Note{Kind: advise.PromptOpened, Prompt: &pr} }

func ended(e detect.Event) detect.Event {
	e.Phase = detect.Ended
	return e
}
