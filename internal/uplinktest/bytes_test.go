package uplinktest

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	states "chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
)

// What a make-believe machine sends to an office in a shift: packets of MQTT with
// topic and payload, without TLS and TCP. An hour is run; the page's figures are of
//
//	CHAFFINCH_HOURS=12 go test ./internal/uplinktest -run BytesOfAShift -v
func TestBytesOfAShift(t *testing.T) {
	hours := 1.0
	if text := os.Getenv("CHAFFINCH_HOURS"); text != "" {
		var err error
		if hours, err = strconv.ParseFloat(text, 64); err != nil {
			t.Fatal(err)
		}
	}
	scenario := virtual.Random(5, hours)
	cfg, wrong := config.Load(write(t, t.TempDir(), "combine.toml", virtual.ConfigText(scenario)))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	var c *core.Core
	clock := publish.Clock{Boot: 1, Wall: func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true }}
	topics := publish.NewTopics(filepath.Base(cfg.Machine.Name))
	board := publish.NewBoard(topics, clock)
	var outbox, retained, live sent
	var seq uint64
	kept := func(all []publish.Message) {
		for _, m := range all {
			if m.Retain {
				retained.add(m.Topic, m.Payload)
			}
		}
	}
	lived := signal.Never
	c, err := core.New(cfg, core.Outputs{
		Event: func(e *detect.Event) {
			seq++
			r := core.EventRecord(seq, c.Now(), e, clock)
			outbox.add(topics.Event(), r.Payload)
			kept(board.Apply(e, r.Payload))
		},
		Note: func(n *advise.Note) {
			seq++
			r := core.NoteRecord(seq, n, clock)
			outbox.add(topics.Verdict(), r.Payload)
			kept(board.ApplyNote(n, r.Payload))
		},
		Shift: func(told core.ShiftTold) {
			if told.Phase == core.ShiftGoesOn {
				return
			}
			seq++
			r, err := core.ShiftRecord(seq, c.Now(), shift.PhaseBegan, told.Summary, func(shift.Moment) (time.Time, bool) { return time.Time{}, false }, clock)
			if err != nil {
				t.Fatal(err)
			}
			outbox.add(topics.Shift(), r.Payload)
		},
		State: func(s *states.State) {
			if since := s.Now.Sub(lived); lived != signal.Never && since < time.Minute { // as often as the daemon sends them to an office
				return
			}
			lived = s.Now
			if m, due := board.Live(publish.Moment{State: s, Bus: publish.Bus{State: "up"}, Route: c.RouteName}); due {
				live.add(m.Topic, m.Payload)
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	combine := virtual.New(scenario, 5)
	for f := range combine.Frames() {
		c.Frame(f)
	}
	c.Finish()
	t.Logf("%.0f h: outbox %v; retained alerts and prompts %v; live %v", hours, outbox, retained, live)
	if outbox.messages == 0 || live.messages < int(hours*57) {
		t.Error("that is no shift")
	}
	// The page's order of magnitude, so that a payload that grows is noticed.
	if most := 0.2 * float64(1<<20) * hours; float64(live.bytes) > most {
		t.Errorf("live: %d bytes, the page allows for %.0f", live.bytes, most)
	}
}

// sent is what went out.
type sent struct{ messages, bytes int }

func (s *sent) add(topic string, payload []byte) {
	s.messages++
	s.bytes += 1 + 2 + 2 + len(topic) + 2 + len(payload) // MQTT 3.1.1, 3.3: fixed header, topic, packet identifier
}

func (s sent) String() string {
	return strconv.Itoa(s.messages) + " messages, " + strconv.FormatFloat(float64(s.bytes)/1e6, 'f', 2, 64) + " MB"
}
