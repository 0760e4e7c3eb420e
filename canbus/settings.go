package canbus

import (
	"fmt"
	"slices"
	"strings"

	"chaffinch/internal/problem"
)

// Settings is the [bus] table of the configuration.
type Settings struct {
	// Interface is the name of the SocketCAN interface, such as "can0".
	Interface string `toml:"interface"`
	// Bitrate is in bit/s. ISO 11783-2 and NMEA 2000 use 250000, SAE J1939-14
	// 500000. It is checked against the interface, never set.
	Bitrate int `toml:"bitrate"`
	// AllowNormalMode lets the program listen on an interface that is not in
	// listen-only mode. Such an interface acknowledges frames, so it takes part
	// in the bus although the program sends nothing.
	AllowNormalMode bool `toml:"allow_normal_mode"`
}

// DefaultSettings is the bus as ISO 11783-2 has it, on the first interface.
func DefaultSettings() Settings {
	return Settings{Interface: "can0", Bitrate: 250_000}
}

// bitrates are those that a machine's bus may have.
var bitrates = []int{125_000, 250_000, 500_000, 1_000_000}

// maxInterfaceName is IFNAMSIZ of Linux less the closing zero.
const maxInterfaceName = 15

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	switch {
	case s.Interface == "":
		all = append(all, &problem.Problem{Key: "bus.interface", What: "the interface has no name",
			Try: `give the name that "ip link" shows, such as "can0"`})
	case len(s.Interface) > maxInterfaceName, strings.ContainsAny(s.Interface, "/ \t\n"):
		all = append(all, &problem.Problem{Key: "bus.interface",
			What: fmt.Sprintf("%q cannot be the name of an interface", s.Interface),
			Try:  fmt.Sprintf("give the name that \"ip link\" shows: at most %d characters, no space, no slash", maxInterfaceName)})
	}
	if !slices.Contains(bitrates, s.Bitrate) {
		try := "give 250000 (ISO 11783, most machines) or 500000; 125000 and 1000000 are known too"
		if slices.Contains(bitrates, s.Bitrate*1000) {
			try = fmt.Sprintf("the unit is bit/s: give %d", s.Bitrate*1000)
		}
		all = append(all, &problem.Problem{Key: "bus.bitrate", What: fmt.Sprintf("no bus runs at %d bit/s", s.Bitrate), Try: try})
	}
	return all
}
