package detect

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// The scripts in testdata/detect are timelines:
//
//	machine rated=250 mass=18          what the owner has said; 0 is not known
//	rate rotor 1s                      a signal is sent this often, else every 100 ms
//	noise load 3 2s                    its standard deviation and correlation time
//	at 10s engine=1900 load=60         values from then on
//	at 20s..25s load to 97             a ramp
//	at 30s rotor=na                    "not available"; also error, gone, stuck, absurd
//	limit speed max 5.2                the owner's limit of a setting; also min
//	at 30s bus=gone                    no frame at all; bus=back
//	at 30s fault=102-3@0/stop          an active code and its lamp; fault=none
//	at 30s segment                     the log's clock steps
//	end 60s
//	expect raised KIND [SUBJECT] at 13s..13.5s [high]
//	expect changed KIND at 20s..21s high
//	expect ended KIND [SUBJECT] at 31s..32s      when the condition ended
//	expect began KIND [SUBJECT] at 9.9s..10.1s   when it first held
//	expect activity turning at 12s
//	expect blind KIND at 12s
//	expect nothing
//
// Every raise and every change has to be expected.
type script struct {
	own     machine.Settings
	actions []action
	rates   [signal.Count]time.Duration
	noises  [signal.Count]noise
	end     time.Duration
	wants   []want
}

type action struct {
	from, to time.Duration // to is later than from for a ramp
	do       func(*player, float64)
}

type noise struct{ sd, tau, now float64 }

type want struct {
	what, kind, subject string
	from, to            time.Duration
	priority            string
	line                int
	met                 bool
}

var scriptNames = map[string]signal.ID{
	"engine": signal.EngineSpeed.ID, "load": signal.EngineLoad.ID, "torque": signal.EngineTorque.ID, "fuel": signal.FuelRate.ID,
	"coolant": signal.Coolant.ID, "rotor": signal.RotorSpeed.ID, "fan": signal.FanSpeed.ID, "speed": signal.GroundSpeed.ID,
	"header": signal.HeaderWorking.ID, "height": signal.HeaderHeight.ID, "thresh": signal.ThreshingEngaged.ID,
	"unload": signal.Unloading.ID, "flow": signal.GrainFlow.ID, "separation": signal.SeparationLoss.ID,
	"cleaning": signal.CleaningLoss.ID, "returns": signal.Returns.ID, "pitch": signal.Pitch.ID, "concave": signal.Concave.ID,
	"altitude": signal.Altitude.ID, "width": signal.CutWidth.ID, "latitude": signal.Latitude.ID, "longitude": signal.Longitude.ID, "moisture": signal.GrainMoisture.ID,
	"croploss": signal.CropLoss.ID, "broken": signal.BrokenGrain.ID, "trash": signal.Trash.ID, "feeder": signal.FeederLoad.ID,
}

// sender is the usual address of who sends a signal.
func sender(id signal.ID) uint8 {
	switch id {
	case signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.EngineTorque.ID, signal.FuelRate.ID, signal.Coolant.ID:
		return 0
	case signal.GroundSpeed.ID, signal.Pitch.ID:
		return 0xF0
	case signal.Latitude.ID, signal.Longitude.ID, signal.Altitude.ID:
		return 0x1C
	}
	return 0x87
}

func parseScript(path string) (*script, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := &script{own: machine.DefaultSettings()}
	s.own.RatedPowerKW, s.own.CutWidth = 250, 9
	for id := range s.rates {
		s.rates[id] = 100 * time.Millisecond
	}
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		text, _, _ := strings.Cut(lines.Text(), "#")
		words := strings.Fields(text)
		if len(words) == 0 {
			continue
		}
		if err := s.line(words, n); err != nil {
			return nil, fmt.Errorf("%s:%d: %w", filepath.Base(path), n, err)
		}
	}
	if s.end == 0 {
		return nil, fmt.Errorf("%s has no end", path)
	}
	return s, lines.Err()
}

func (s *script) line(words []string, n int) error {
	switch words[0] {
	case "machine":
		for _, w := range words[1:] {
			key, text, _ := strings.Cut(w, "=")
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return err
			}
			switch key {
			case "rated":
				s.own.RatedPowerKW = v
			case "mass":
				s.own.MassT = v
			default:
				return fmt.Errorf("machine has no %q", key)
			}
		}
		return nil
	case "limit":
		id, ok := scriptNames[words[1]]
		v, err := strconv.ParseFloat(words[3], 64)
		if !ok || err != nil {
			return fmt.Errorf("cannot read %q", words)
		}
		limit := s.own.Limits[id.String()]
		if words[2] == "max" {
			limit.Max = &v
		} else {
			limit.Min = &v
		}
		if s.own.Limits == nil {
			s.own.Limits = map[string]machine.Limit{}
		}
		s.own.Limits[id.String()] = limit
		return nil
	case "rate", "noise":
		id, ok := scriptNames[words[1]]
		if !ok {
			return fmt.Errorf("no signal %q", words[1])
		}
		if words[0] == "rate" {
			d, err := time.ParseDuration(words[2])
			s.rates[id] = d
			return err
		}
		sd, err := strconv.ParseFloat(words[2], 64)
		if err != nil {
			return err
		}
		tau, err := time.ParseDuration(words[3])
		s.noises[id] = noise{sd: sd, tau: tau.Seconds()}
		return err
	case "end":
		d, err := time.ParseDuration(words[1])
		s.end = d
		return err
	case "at":
		return s.at(words)
	case "expect":
		return s.expect(words, n)
	}
	return fmt.Errorf("no word %q", words[0])
}

func span(text string) (from, to time.Duration, err error) {
	a, b, two := strings.Cut(text, "..")
	if from, err = time.ParseDuration(a); err != nil {
		return
	}
	if to = from; two {
		to, err = time.ParseDuration(b)
	}
	return
}

func (s *script) at(words []string) error {
	from, to, err := span(words[1])
	if err != nil {
		return err
	}
	if len(words) == 5 && words[3] == "to" {
		id, ok := scriptNames[words[2]]
		goal, err := strconv.ParseFloat(words[4], 64)
		if !ok || err != nil {
			return fmt.Errorf("cannot read %q", words)
		}
		var begin float64
		s.actions = append(s.actions, action{from, to, func(p *player, share float64) {
			if share == 0 {
				begin = p.values[id]
			}
			p.values[id], p.modes[id] = begin+share*(goal-begin), sends
		}})
		return nil
	}
	for _, w := range words[2:] {
		key, text, _ := strings.Cut(w, "=")
		do, err := single(key, text)
		if err != nil {
			return err
		}
		s.actions = append(s.actions, action{from, from, func(p *player, _ float64) { do(p) }})
	}
	return nil
}

func single(key, text string) (func(*player), error) {
	switch key {
	case "segment":
		return func(p *player) { p.segment() }, nil
	case "bus":
		return func(p *player) { p.busGone = text == "gone" }, nil
	case "fault":
		if text == "none" {
			return func(p *player) { p.faults = nil }, nil
		}
		var f machine.Fault
		code, lamp, _ := strings.Cut(text, "/")
		if _, err := fmt.Sscanf(code, "%d-%d@%d", &f.SPN, &f.FMI, &f.Source.Address); err != nil {
			return nil, err
		}
		f.Lamp = map[string]machine.Lamp{"": machine.NoLamp, "stop": machine.StopLamp, "warning": machine.WarningLamp}[lamp]
		f.Count = 1
		return func(p *player) { f.Since = p.now; p.faults = append(p.faults, f) }, nil
	}
	id, ok := scriptNames[key]
	if !ok {
		return nil, fmt.Errorf("no signal %q", key)
	}
	if mode, ok := map[string]mode{"na": notAvailable, "error": errs, "gone": gone, "stuck": stays, "absurd": absurd}[text]; ok {
		return func(p *player) { p.modes[id] = mode }, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	return func(p *player) { p.values[id], p.modes[id] = v, sends }, err
}

func (s *script) expect(words []string, n int) error {
	if words[1] == "nothing" {
		s.wants = append(s.wants, want{what: "nothing", line: n, met: true})
		return nil
	}
	w := want{what: words[1], kind: words[2], line: n}
	rest := words[3:]
	if rest[0] != "at" {
		w.subject, rest = rest[0], rest[1:]
	}
	if len(rest) < 2 || rest[0] != "at" {
		return fmt.Errorf("expect wants a time")
	}
	var err error
	w.from, w.to, err = span(rest[1])
	if len(rest) > 2 {
		w.priority = rest[2]
	}
	s.wants = append(s.wants, w)
	return err
}

func seconds(at signal.Instant) string { return fmt.Sprintf("%.2fs", at.Seconds()) }

func TestScripts(t *testing.T) {
	paths, err := filepath.Glob("../testdata/detect/*.txt")
	if err != nil || len(paths) < 30 {
		t.Fatalf("%d scripts in testdata/detect, %v", len(paths), err)
	}
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			s, err := parseScript(path)
			if err != nil {
				t.Fatal(err)
			}
			if len(s.wants) == 0 {
				t.Fatal("the script expects nothing, not even nothing")
			}
			runScript(t, s)
		})
	}
}

func runScript(t *testing.T, s *script) {
	p := newPlayer(s)
	p.each = func() {
		for i := range s.wants {
			w := &s.wants[i]
			if p.now != signal.Instant(w.from) {
				continue
			}
			switch w.what {
			case "activity":
				if w.met = p.state.Activity.String() == w.kind; !w.met {
					t.Errorf("line %d: at %v it is %s (%s)", w.line, w.from, p.state.Activity, p.state.Basis)
					w.met = true
				}
			case "blind":
				for _, b := range p.rules.Blind() {
					w.met = w.met || b.Kind == w.kind
				}
			}
		}
	}
	p.play()
	for i := range p.events {
		e := &p.events[i]
		checkEvent(t, e)
		matched := false
		for j := range s.wants {
			w := &s.wants[j]
			if w.kind != e.Kind || w.subject != "" && w.subject != e.Subject || w.priority != "" && w.priority != e.Priority.String() {
				continue
			}
			var at signal.Instant
			switch {
			case w.what == "raised" && e.Phase == Raised, w.what == "changed" && e.Phase == Changed && e.Priority > Low:
				at = p.when[i]
			case w.what == "began" && e.Phase == Raised:
				at = e.Began
			case w.what == "ended" && e.Phase == Ended:
				at = e.Ended
			default:
				continue
			}
			if !w.met && at >= signal.Instant(w.from) && at <= signal.Instant(w.to) {
				w.met = true
				matched = matched || w.what == "raised"
			}
		}
		if e.Phase == Raised {
			t.Logf("%s raised %s %s (began %s): %s", seconds(e.Raised), e.Kind, e.Subject, seconds(e.Began), e.Text)
			if !matched {
				t.Errorf("not expected: %s %s %s raised at %s, began %s, while %s", e.Priority, e.Kind, e.Subject, seconds(e.Raised), seconds(e.Began), e.Activity)
			}
		} else {
			t.Logf("%s %s %s %s", e.Phase, e.Kind, e.Subject, seconds(e.Ended))
		}
	}
	for _, w := range s.wants {
		if !w.met {
			t.Errorf("line %d: %s %s %s %s at %v..%v did not come", w.line, w.what, w.kind, w.subject, w.priority, w.from, w.to)
		}
	}
}

func checkEvent(t *testing.T, e *Event) {
	t.Helper()
	// A glance of 2 s, the most that NHTSA's guidelines for drivers allow (78 FR
	// 24817, 2013), reads eight words (238 a minute: Brysbaert 2019). What does not
	// press may take a second one.
	most := 8
	if e.Priority == Low {
		most = 12
	}
	n := len(strings.FieldsFunc(e.Text, func(r rune) bool { return r == ' ' || r == '%' }))
	if n == 0 || n > most {
		t.Errorf("%s: %d words: %q", e.Kind, n, e.Text)
	}
	if !strings.ContainsAny(e.Text, "0123456789") {
		t.Errorf("%s: no number: %q", e.Kind, e.Text)
	}
	if e.Began > e.Raised || e.Phase == Ended && e.Ended < e.Began {
		t.Errorf("%s: began %s, raised %s, ended %s", e.Kind, seconds(e.Began), seconds(e.Raised), seconds(e.Ended))
	}
	if len(e.Evidence) == 0 {
		t.Errorf("%s: no evidence", e.Kind)
	}
}
