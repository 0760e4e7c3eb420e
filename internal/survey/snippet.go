package survey

import (
	"fmt"
	"strings"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

// configText is a configuration to begin with: what the bus tells is filled
// in, and what only the owner knows is asked for.
func (b *builder) configText() string {
	var t strings.Builder
	iface := b.cfg.Bus.Interface
	if i := int(b.loudest()); i < len(b.interfaces) && isInterface(b.interfaces[i]) {
		iface = b.interfaces[i]
	}
	t.WriteString("# Only you know these: take away the # and fill in.\n[machine]\n" +
		"#name = \"combine-1\"\n#cut_width_m = 9.14\n#rated_power_kw = 280\n#rotor_diameter_m = 0.762\n#mass_t = 18\n\n" +
		"[crop]\n#name = \"wheat\"\n\n")
	fmt.Fprintf(&t, "[bus]\ninterface = %q\nbitrate = %d\n", iface, b.cfg.Bus.Bitrate)
	b.writePrefer(&t)
	b.writeRotorElement(&t)
	b.writeMaps(&t)
	return t.String()
}

// isInterface tells whether a log's name of an interface can be one of this computer's.
func isInterface(name string) bool {
	for _, r := range name {
		if r <= ' ' || r > '~' {
			return false
		}
	}
	wrong := canbus.Settings{Interface: name, Bitrate: canbus.DefaultSettings().Bitrate}.Validate()
	return len(wrong) == 0
}

// loudest is the interface with the most frames of 29 bits.
func (b *builder) loudest() uint8 {
	frames := map[uint8]int64{}
	for k, t := range b.Survey.nodes {
		frames[k.Interface] += t.frames
	}
	best := uint8(0)
	for i := range b.interfaces {
		if frames[uint8(i)] > frames[best] {
			best = uint8(i)
		}
	}
	return best
}

// writePrefer fixes the order of the sources of signals that have several.
func (b *builder) writePrefer(t *strings.Builder) {
	head := "\n# These come from several sources; the first that is good is used.\n[prefer]\n"
	for i := range b.r.Signals {
		s := &b.r.Signals[i]
		var order []string
		add := func(w Way, named string) {
			if w.Route == named && w.Good > 0 && w.Address < 254 && len(order) < 4 {
				order = append(order, fmt.Sprintf("%q, # %s", fmt.Sprintf("%s from %d", w.Route, w.Address), s.rangeOf(w)))
			}
		}
		for _, k := range decode.StandardRoutes() {
			if k.Signal != s.id {
				continue
			}
			for _, w := range s.Ways {
				add(w, k.Name)
			}
		}
		if len(order) < 2 || strings.HasPrefix(s.Ways[0].Route, "map ") {
			continue // what is listed would go before the owner's own map
		}
		t.WriteString(head)
		head = ""
		fmt.Fprintf(t, "%s = [\n", s.Name)
		for _, o := range order {
			fmt.Fprintf(t, "  %s\n", o)
		}
		t.WriteString("]\n")
	}
}

// writeRotorElement asks which revolutions are the rotor's, if some are told
// and nothing says of what.
func (b *builder) writeRotorElement(t *strings.Builder) {
	if b.r.Signals[signal.RotorSpeed.ID].State != isMissing {
		return
	}
	for _, v := range b.r.Values {
		if v.DDI == processdata.ActualRevolutions {
			fmt.Fprintf(t, "\n# Revolutions are told of element %d (raw %d to %d). If that is the rotor:\n#[process_data]\n#rotor_element = %d\n",
				v.Element, v.Lowest, v.Highest, v.Element)
			return
		}
	}
}

// mapped are signals that are hardly ever in an open message, with a usual
// layout to begin the template with.
var mapped = []struct {
	id     signal.ID
	length int
	scale  string
}{
	{signal.RotorSpeed.ID, 16, "0.125"},
	{signal.SeparationLoss.ID, 8, "0.4"},
	{signal.CleaningLoss.ID, 8, "0.4"},
	{signal.Returns.ID, 8, "0.4"},
	{signal.HeaderWorking.ID, 1, "1"},
}

func (b *builder) writeMaps(t *strings.Builder) {
	pgn, source := uint32(65300), 33
	if m, ok := b.makersBusiest(); ok {
		pgn, source = m.PGN, int(m.Address)
	}
	first := true
	for _, m := range mapped {
		if b.r.Signals[m.id].State != isMissing {
			continue
		}
		if first {
			first = false
			t.WriteString("\n# No open message carries these here. The numbers are placeholders:\n" +
				"# chaffinch find SIGNAL prints the right ones, ready to paste.\n")
		}
		fmt.Fprintf(t, "\n#[[map]]\n#signal = %q\n#pgn = %d\n#source = %d\n#start_bit = 0\n#length = %d\n#scale = %s\n",
			m.id.String(), pgn, source, m.length, m.scale)
	}
}
