package daemon

import (
	"fmt"
	"io"
	"strings"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/publish"
	"chaffinch/store"
)

// judge finds out whether all is well, and if not, the one thing to do: the
// gravest first. Still is a loop that stands still, or empty.
func (s *Status) judge(still string, health []publish.Item) {
	s.Well = true
	say := func(well bool, what, do string) {
		if s.What == "" || s.Well && !well {
			s.Well, s.What, s.Do = well, what, do
		}
	}
	if still != "" {
		say(false, "the "+still+" stands still", "wait half a minute: it is ended and started again by itself; if it comes back: journalctl -b -u chaffinch")
	}
	for _, h := range health {
		what, try, known := strings.Cut(h.Text, "; ") // a problem.Problem says what to try
		if !known {
			try = s.remedy(h)
		}
		say(s.passing(h), what, try)
	}
	if s.Well && s.What == "" {
		s.judgeRest(say)
	}
}

// judgeRest looks at what is no fault, and yet worth a word.
func (s *Status) judgeRest(say func(bool, string, string)) {
	switch {
	case s.Store.Damaged:
		say(true, fmt.Sprintf("the store was damaged at the start; %d records were kept", s.Store.Kept),
			"look at the supply and the card; the damaged file is "+s.Store.SetAside)
	case s.Bus.State == canbus.Up.String() && s.Bus.Mode == canbus.Normal.String():
		say(true, s.Bus.Interface+" is in normal mode: it acknowledges what others send", "set it to listen-only, unless this is a bench")
	case s.Bus.State == canbus.Up.String() && s.Bus.Frames == 0 && s.Bus.FramesPerS == 0:
		say(true, "nothing was heard on "+s.Bus.Interface+" yet", "turn the machine's key on; if it is on, look at the plug and the wires")
	}
}

func (s *Status) remedy(h publish.Item) string {
	switch h.Name {
	case "bus-away":
		switch s.Bus.State {
		case canbus.Absent.String():
			return "plug the CAN adapter in; \"ip link\" must show " + s.Bus.Interface
		case canbus.Down.String():
			return "have it set up: sudo systemctl enable --now systemd-networkd; then: networkctl status " + s.Bus.Interface
		case canbus.Refused.String():
			return "set it to listen-only: sudo networkctl reconfigure " + s.Bus.Interface
		}
		return "look at the bit rate ([bus] bitrate and " + s.Bus.Interface + "), and whether the two wires are swapped"
	case "not-recording":
		return "look at the card: is it full, or read-only, or worn out? df -h " + s.Store.Path + "; dmesg"
	case "page-away":
		return "another program may have its port: sudo ss -ltnp"
	case "broker-away":
		if s.MQTT.Broker != "" && s.MQTT.Inside != "" {
			return "nothing: messages wait until it is back; if it stays away, look at the network"
		}
		if s.MQTT.Broker != "" {
			return "look at the broker " + s.MQTT.Broker + " and the network to it"
		}
		return "another program may have its port: sudo ss -ltnp"
	case "clock-unsure":
		return "give the board a network for a minute, or: sudo timedatectl set-time \"YYYY-MM-DD hh:mm:ss\""
	}
	return "journalctl -b -u chaffinch"
}

// Line is the status in one line, for "systemctl status". It changes only when
// something has changed.
func (s *Status) Line() string {
	bus := "bus " + s.Bus.State
	if s.Bus.State == canbus.Up.String() {
		bus = "listening on " + s.Bus.Interface
	}
	recording := "recording"
	if !s.Store.Recording {
		recording = "NOT recording"
	}
	broker := "broker inside"
	switch {
	case s.MQTT.Broker != "" && s.MQTT.Connected:
		broker = "broker connected"
	case s.MQTT.Broker != "":
		broker = "broker away"
	case s.MQTT.Inside == "":
		broker = "broker does not listen"
	}
	clock := "clock set"
	if !s.Clock.Set {
		clock = "clock not set"
	}
	line := strings.Join([]string{bus, recording, broker, clock}, "; ")
	if !s.Well {
		line = "NOT WELL: " + s.What + "; " + line
	}
	return line
}

// Headline says whether all is well, and the one thing to do.
func (s *Status) Headline() string {
	switch {
	case !s.Well:
		return "NO: " + s.What + ". Do: " + s.Do
	case s.What != "":
		return "yes, but " + s.What + ". Do: " + s.Do
	}
	return "yes"
}

// wanted are the signals whose absence is worth a word, most wanted first.
var wanted = []signal.ID{
	signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.GroundSpeed.ID, signal.RotorSpeed.ID, signal.Latitude.ID,
	signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.Returns.ID, signal.HeaderHeight.ID,
}

// Write prints the status for people, a line a subject.
func (s *Status) Write(w io.Writer) error {
	var b strings.Builder
	line := func(name, format string, a ...any) {
		fmt.Fprintf(&b, "%-8s  "+format+"\n", append([]any{name}, a...)...)
	}
	line("well?", "%s", s.Headline())
	line("program", "%s, machine %q, up for %s", s.Version, s.Machine, lasting(s.UptimeS))
	line("bus", "%s", s.busText())
	line("signals", "%s", s.signalsText())
	engine := "engine speed not known"
	if s.EngineRPM != nil {
		engine = fmt.Sprintf("engine %.0f rpm", *s.EngineRPM)
	}
	doing := "what it does is not known"
	if s.Activity != "unknown" {
		doing = s.Activity + " for " + lasting(s.ActivityS)
	}
	line("machine", "%s; %s", engine, doing)
	line("store", "%s", s.storeText())
	line("clock", "%s", s.clockText())
	line("mqtt", "%s", s.mqttText())
	line("page", "%s", s.pageText())
	line("alerts", "%s", s.alertsText())
	line("start", "%s", s.startText())
	_, err := io.WriteString(w, b.String())
	return err
}

func (s *Status) busText() string {
	b := &s.Bus
	if b.State != canbus.Up.String() {
		return fmt.Sprintf("%s is %s", b.Interface, b.State)
	}
	load := ""
	if b.LoadPct != nil {
		load = fmt.Sprintf(" (%.0f %% load)", *b.LoadPct)
	}
	return fmt.Sprintf("%s is up, %s mode; %.0f frames/s%s; %d lost, %d errors", b.Interface, b.Mode, b.FramesPerS, load, b.Dropped+b.Overruns, b.ErrorFrames)
}

func (s *Status) signalsText() string {
	text := fmt.Sprintf("%d heard", len(s.Signals.Heard))
	if len(s.Signals.Silent) > 0 {
		text += "; silent now: " + words(s.Signals.Silent, nil)
	}
	if never := words(s.Signals.Never, wanted); never != "" {
		text += "; never heard: " + never
	}
	return text
}

// words names signals for people; if only is not nil, those alone.
func words(names []string, only []signal.ID) string {
	var some []string
	if only != nil {
		for _, id := range only {
			for _, n := range names {
				if n == id.Info().Name {
					some = append(some, id.Info().Words)
				}
			}
		}
		return strings.Join(some, ", ")
	}
	for _, n := range names {
		for id := range signal.ID(signal.Count) {
			if id.Info().Name == n {
				some = append(some, id.Info().Words)
			}
		}
	}
	return strings.Join(some, ", ")
}

func (s *Status) storeText() string {
	x := &s.Store
	text := "recording"
	if !x.Recording {
		text = "NOT recording: " + x.Why
	}
	if x.MaxMB > 0 {
		text += fmt.Sprintf("; %.1f of %.0f MB used", x.UsedMB, x.MaxMB)
	}
	if x.Damaged {
		text += fmt.Sprintf("; was damaged at the start, %d records kept, set aside as %s", x.Kept, x.SetAside)
	}
	if n := x.Dropped + x.BadRecords; n > 0 {
		text += fmt.Sprintf("; %d records lost", n)
	}
	return text
}

func (s *Status) clockText() string {
	switch {
	case s.Clock.Set:
		return "set"
	case s.Clock.Source == store.GNSSTime.String():
		return "not set; dates come from GNSS"
	case s.Clock.Source == store.BusTime.String():
		return "not set; dates come from the bus"
	}
	return "NOT set: dates are missing, and are added when it is"
}

func (s *Status) mqttText() string {
	m := &s.MQTT
	var parts []string
	switch {
	case m.Inside != "":
		parts = append(parts, fmt.Sprintf("broker inside on %s, %d clients", m.Inside, m.Clients))
	case m.Why != "":
		parts = append(parts, "the broker inside does not listen: "+m.Why)
	}
	switch {
	case m.Broker != "" && m.Connected:
		parts = append(parts, fmt.Sprintf("%s connected, %d messages wait", m.Broker, m.Outbox))
	case m.Broker != "":
		text := m.Broker + " away"
		if m.Trouble != "" {
			text += " (" + m.Trouble + ")"
		}
		parts = append(parts, fmt.Sprintf("%s, %d messages wait", text, m.Outbox))
	default:
		parts = append(parts, "no other broker is configured")
	}
	if m.Lost > 0 {
		parts = append(parts, fmt.Sprintf("%d were dropped", m.Lost))
	}
	return strings.Join(parts, "; ")
}

func (s *Status) pageText() string {
	switch {
	case s.Page.Why != "":
		return "NOT served: " + s.Page.Why
	case s.Page.URL == "":
		return "none is configured"
	}
	return fmt.Sprintf("%s, open on %d phones", s.Page.URL, s.Page.Phones)
}

func (s *Status) alertsText() string {
	switch {
	case len(s.Alerts) > 0:
		return strings.Join(s.Alerts, "; ")
	case s.LastAlert != nil:
		return fmt.Sprintf("none now; the last %s ago: %s", lasting(s.LastAlert.AgoS), s.LastAlert.Text)
	}
	return "none since the start"
}

func (s *Status) startText() string {
	switch {
	case !s.Start.Known:
		return "how the last run ended is not known: there is no store"
	case s.Start.Run == 1:
		return "the first run on this store"
	case s.Start.Clean:
		return fmt.Sprintf("run %d; the one before was stopped in good order", s.Start.Run)
	}
	return fmt.Sprintf("run %d; the one before was cut off: by power, or by a crash", s.Start.Run)
}

// lasting is a time in words of two units at most.
func lasting(seconds float64) string {
	switch d := time.Duration(seconds) * time.Second; {
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	default:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	}
}
