package survey

import (
	"fmt"
	"strings"

	"chaffinch/canbus/signal"
)

// configText is a configuration to begin with: what the bus tells is filled
// in, and what only the owner knows is asked for.
func (s *Survey) configText(r *Report, names []string) string {
	var b strings.Builder
	iface := s.cfg.Bus.Interface
	if len(names) > 0 {
		iface = names[0]
	}
	b.WriteString("[machine]\n")
	b.WriteString("# Only you know these: take away the # and fill in.\n")
	b.WriteString("#name = \"combine-1\"\n#cut_width_m = 9.14\n#rated_power_kw = 280\n#rotor_diameter_m = 0.762\n#mass_t = 18\n\n")
	b.WriteString("[crop]\n#name = \"wheat\"\n\n")
	fmt.Fprintf(&b, "[bus]\ninterface = %q\nbitrate = %d\n", iface, s.cfg.Bus.Bitrate)
	prefer := false
	for _, sig := range r.Signals {
		routes := map[string]bool{}
		var order []string
		for _, route := range preferred(sig.id) {
			for _, w := range sig.Ways {
				if w.Route == route && w.Good > 0 && !routes[route] {
					routes[route] = true
					order = append(order, fmt.Sprintf("%q", route))
				}
			}
		}
		if len(order) < 2 {
			continue
		}
		if !prefer {
			prefer = true
			b.WriteString("\n# These come several ways; the first that is good is used.\n[prefer]\n")
		}
		fmt.Fprintf(&b, "%s = [%s]\n", sig.Name, strings.Join(order, ", "))
	}
	for _, id := range []signal.ID{signal.RotorSpeed.ID, signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.Returns.ID} {
		if r.Signals[id].State != "missing" {
			continue
		}
		fmt.Fprintf(&b, `
# %s is not in an open message. chaffinch find %s
# says where it lies; then:
#[[map]]
#signal = %q
#pgn = 65300
#start_bit = 0
#length = 16
#scale = 0.125
`, id.Info().Words, id, id.String())
	}
	return b.String()
}
