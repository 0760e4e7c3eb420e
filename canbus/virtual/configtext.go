package virtual

import (
	"fmt"
	"math"
	"strings"
)

// ConfigText is the configuration that an owner of the scenario's combine
// would write: what only the owner knows, the crop, and the maps of the
// machine's own frames.
func ConfigText(s Scenario) string {
	m, c := s.Model(), s.CropTaken()
	header := "grain"
	if c.RowHeader {
		header = "maize"
	}
	return fmt.Sprintf(`[machine]
name = "make-believe"
cut_width_m = %g
rated_power_kw = %g
rotor_diameter_m = %g
mass_t = %g
header = "%s"
seat_adjustable = [%s]
%s
[crop]
name = "%s"

%s`, m.Width(c), m.RatedKW, m.RotorDiameterM, round1(m.MassT+0.5*m.TankM3*c.KGPerM3/1000), header, seatText(&c), limitsText(s.Limits), c.Name, MapsText(s.Signals))
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

// seatText lists the levers of the machine: all are set from the seat.
func seatText(c *Crop) string {
	var names []string
	for l := range levers {
		if _, err := leverNamed(levers[l].name, c); err == nil {
			names = append(names, fmt.Sprintf("%q", levers[l].name))
		}
	}
	return strings.Join(names, ", ")
}
