package survey

import (
	"encoding/binary"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/internal/config"
)

func TestEverySignalAndEveryAlarmIsAccountedFor(t *testing.T) {
	seen := map[signal.ID]bool{}
	for _, n := range signalNeeds {
		if seen[n.id] || n.costs == "" {
			t.Errorf("%s stands twice, or without a cost", n.id)
		}
		seen[n.id] = true
	}
	for id := range signal.ID(signal.Count) {
		if !seen[id] {
			t.Errorf("%s has no entry", id)
		}
	}
	var kinds, listed []string
	for _, k := range detect.Kinds() {
		kinds = append(kinds, k.Name)
	}
	for _, k := range kindNeeds {
		listed = append(listed, k.kind)
		for _, n := range k.all() {
			if len(n) == 0 {
				t.Errorf("%s has a need that nothing meets", k.kind)
			}
		}
		if i := slices.Index(kinds, k.kind); i >= 0 && detect.Kinds()[i].Cutting != k.cutting {
			t.Errorf("%s: whether it is judged only while cutting differs from the alarm's own table", k.kind)
		}
	}
	slices.Sort(kinds)
	slices.Sort(listed)
	if !slices.Equal(kinds, listed) {
		t.Errorf("kinds %v, listed %v", kinds, listed)
	}
}

// bench feeds frames by hand.
type bench struct {
	*Survey
	stamp int64
}

func (b *bench) send(after time.Duration, id uint32, data ...byte) {
	b.stamp += int64(after)
	f := canbus.Frame{Stamp: b.stamp, ID: id, Flags: canbus.Extended, Len: uint8(len(data))}
	copy(f.Data[:], data)
	b.Frame(&f)
}

func claimOf(name uint64) []byte { return binary.LittleEndian.AppendUint64(nil, name) }

// A harvester's loss monitor (group 2, class 7, function 130: ISO 11783-1)
// leaves address 0x21 for 0x80.
func TestAnAddressThatMoves(t *testing.T) {
	const monitor = uint64(1)<<63 | 2<<60 | 7<<49 | 130<<40 | 77<<21 | 4711
	b := &bench{newSurvey(t), int64(time.Hour)}
	b.send(0, 0x18EEFF21, claimOf(monitor)...)
	for range 50 {
		b.send(10*time.Millisecond, 0x18FF1021, 1, 2, 3, 4, 5, 6, 7, 8)
	}
	b.send(time.Second, 0x18EEFF80, claimOf(monitor)...)
	b.send(10*time.Millisecond, 0x18FF1080, 1, 2, 3, 4, 5, 6, 7, 8)
	r := b.Report([]string{"can0"}, canbus.Stats{})
	want := Move{"can0", nameHex(0xA00E8200_09A01267), 0x21, 0x80, false}
	if len(r.Moves) != 1 || r.Moves[0] != want {
		t.Errorf("moves %+v, want %+v", r.Moves, want)
	}
	p := r.Nodes[1].Parts
	if p == nil || p.Class != 7 || p.Function != 130 || p.Manufacturer != 77 || p.Identity != 4711 ||
		r.Nodes[1].Words != "product loss monitor, harvester, agriculture" {
		t.Errorf("%+v %+v", r.Nodes[1], p)
	}
	if out := text(t, r, false); !strings.Contains(out, "moved to 80") || !strings.HasPrefix(out, "This is a harvester") {
		t.Error(out)
	}
}

// Of twenty intervals ten are 100 ms, nine 103 ms and one 250 ms: the median is
// 103 ms, and 95 % of them lie within 3 ms of it.
func TestRhythm(t *testing.T) {
	b := &bench{newSurvey(t), int64(time.Hour)}
	b.send(0, 0x18FF1021, 0)
	for range 40 {
		for i := range 20 {
			d := 100 * time.Millisecond
			switch {
			case i == 19:
				d = 250 * time.Millisecond
			case i%2 == 1:
				d += 3 * time.Millisecond
			}
			b.send(d, 0x18FF1021, make([]byte, 1+i%3)...)
		}
	}
	m := b.Report([]string{"can0"}, canbus.Stats{}).Messages[0]
	if m.PeriodMs != 103 || m.JitterMs != 3 || m.Count != 801 || m.ShortestB != 1 || m.LongestB != 3 || m.RateHz < 9.1 || m.RateHz > 9.3 {
		t.Errorf("%+v", m)
	}
}

// What a signal's state says, and what is to be done then. Engine speed and
// coolant: SAE J1939-71, FE in the high byte is an error, FF not available.
func TestStatesOfASignal(t *testing.T) {
	for _, c := range []struct {
		name, state, do string
		frames          func(*bench)
	}{
		{"heard", isHeard, "", func(b *bench) { b.engine(30, 0x20) }},
		{"never with a value", "not-available", "Survey again with it running", func(b *bench) { b.engine(30, 0xFF) }},
		{"error", "error", "fault codes", func(b *bench) { b.engine(30, 0xFE) }},
		{"error at the end", "error", "fault codes", func(b *bench) { b.engine(10, 0x20); b.engine(200, 0xFE) }},
		{"its sender speaks of other things", isSilent, "still speaks of other things", func(b *bench) {
			b.engine(10, 0x20)
			for range 100 {
				b.send(100*time.Millisecond, 0x18FEEE00, 100, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
			}
		}},
		{"its sender is gone", isSilent, "stopped altogether", func(b *bench) {
			b.engine(10, 0x20)
			for range 100 {
				b.send(100*time.Millisecond, 0x18FEEE17, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
			}
		}},
		{"the bus died", isSilent, "stopped altogether", func(b *bench) { b.engine(10, 0x20); b.Listened(30*time.Second, 20*time.Second) }},
		{"nobody sends it", isMissing, "open message on the engine's", func(b *bench) {
			b.send(0, 0x18FEEE17, 100, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
		}},
	} {
		b := &bench{newSurvey(t), int64(time.Hour)}
		c.frames(b)
		s := b.Report([]string{"can0"}, canbus.Stats{}).Signals[signal.EngineSpeed.ID]
		if s.State != c.state || !strings.Contains(s.Do, c.do) || (s.Do == "") != (c.do == "") {
			t.Errorf("%s: %s, %q", c.name, s.State, s.Do)
		}
	}
}

// engine sends EEC1 with a high byte of its speed.
func (b *bench) engine(frames int, high byte) {
	for range frames {
		b.send(50*time.Millisecond, 0x0CF00400, 0xF0, 125, 125, 0, high, 0xFF, 0xFF, 0xFF)
	}
}

func TestBusesThatTellNothing(t *testing.T) {
	frame := func(flags canbus.Flags, id uint32) func(*Survey) {
		return func(s *Survey) {
			for i := range int64(100) {
				s.Frame(&canbus.Frame{Stamp: int64(time.Hour) + i*1e7, ID: id, Flags: flags, Len: 8})
			}
		}
	}
	for _, c := range []struct {
		name, says string
		feed       func(*Survey)
	}{
		{"no frame", "Is the key on?", func(s *Survey) { s.Listened(30*time.Second, 30*time.Second) }},
		{"errors only", "bit rate is wrong", frame(canbus.ErrorFrame, 8)},
		{"11 bits only", "neither J1939 nor", frame(0, 0x123)},
	} {
		s := newSurvey(t)
		c.feed(s)
		r := s.Report([]string{"can0"}, canbus.Stats{})
		if !strings.Contains(strings.Join(r.Verdict, " "), c.says) {
			t.Errorf("%s: %q", c.name, r.Verdict)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Error(err)
		}
		text(t, r, false)
		mustLoad(t, r.Config)
	}
}

// A device may say what it likes; a terminal is not to be steered by it.
func TestForeignTextIsMadePrintable(t *testing.T) {
	if got := printable("Header\x1b[2J\u202eX\u009b"); got != "Header?[2J?X?" {
		t.Errorf("%q", got)
	}
	if n := len([]rune(printable(strings.Repeat("long ", 100)))); n > 60 {
		t.Errorf("%d characters", n)
	}
}

// A log may call its interface what it likes; the configuration to begin with must be one.
func TestTheConfigurationIsOneWhateverTheInterfaceIsCalled(t *testing.T) {
	for name, want := range map[string]string{
		"can1": `interface = "can1"`, "slcan0": `interface = "slcan0"`,
		`\Device\NPF_{0A1B2C3D-0000-1111}`: `interface = "can0"`, "can\xff": `interface = "can0"`, "a/b": `interface = "can0"`,
	} {
		b := &bench{newSurvey(t), int64(time.Hour)}
		b.send(0, 0x0CF00400, 0xFF, 0xFF, 0xFF, 0x68, 0x13)
		text := b.Report([]string{name}, canbus.Stats{}).Config
		if _, wrong := config.FromText(text); len(wrong) > 0 || !strings.Contains(text, want) {
			t.Errorf("%q: %v\n%s", name, wrong, text)
		}
	}
}
