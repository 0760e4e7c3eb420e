package virtual

import (
	"fmt"
	"strings"
)

// Map says where in a frame of the make-believe machine's own a signal stands,
// in the terms of the configuration's [[map]] tables. The layout is invented.
type Map struct {
	Signal    string  `toml:"signal"`
	PGN       uint32  `toml:"pgn"`
	Source    uint8   `toml:"source"`
	StartBit  int     `toml:"start_bit"` // as DBC counts
	Length    int     `toml:"length"`
	ByteOrder string  `toml:"byte_order"`
	Signed    bool    `toml:"signed"`
	Scale     float64 `toml:"scale"`
	Offset    float64 `toml:"offset"`
	Min       float64 `toml:"min"`
	Max       float64 `toml:"max"`
	Reserved  bool    `toml:"reserved"` // the ranges of SAE J1939-71 say "not available" and "error"
}

// The frames of the machine's own.
const (
	pgnRotor     = 0xFF14 // 100 ms, from the machine control
	pgnFeeder    = 0xFF15 // 100 ms
	pgnLosses    = 0xFF16 // 200 ms, from the product loss monitor
	pgnReturns   = 0xFF17 // 200 ms, from the tailings monitor
	pgnQuality   = 0xFF18 // 1 s
	pgnEngaged   = 0xFF19 // 500 ms
	pgnFillFirst = 0xFF20 // and upwards: traffic of no interest
)

var ownMaps = [...]Map{
	{Signal: "rotor_speed_rpm", PGN: pgnRotor, Source: addrMachine, StartBit: 0, Length: 16, ByteOrder: "little", Scale: 0.125, Max: 2500, Reserved: true},
	{Signal: "feeder_load_pct", PGN: pgnFeeder, Source: addrMachine, StartBit: 23, Length: 16, ByteOrder: "big", Scale: 0.01, Max: 130, Reserved: true},
	{Signal: "separation_loss_pct", PGN: pgnLosses, Source: addrLoss, StartBit: 0, Length: 16, ByteOrder: "little", Scale: 0.01, Max: 100, Reserved: true},
	{Signal: "cleaning_loss_pct", PGN: pgnLosses, Source: addrLoss, StartBit: 16, Length: 16, ByteOrder: "little", Scale: 0.01, Max: 100, Reserved: true},
	{Signal: "returns_pct", PGN: pgnReturns, Source: addrTailings, StartBit: 8, Length: 16, ByteOrder: "little", Scale: 0.01, Max: 100, Reserved: true},
	{Signal: "broken_grain_pct", PGN: pgnQuality, Source: addrMachine, StartBit: 0, Length: 16, ByteOrder: "little", Scale: 0.01, Max: 100, Reserved: true},
	{Signal: "trash_pct", PGN: pgnQuality, Source: addrMachine, StartBit: 16, Length: 16, ByteOrder: "little", Scale: 0.01, Max: 100, Reserved: true},
	{Signal: "threshing_engaged", PGN: pgnEngaged, Source: addrMachine, StartBit: 0, Length: 2, ByteOrder: "little", Scale: 1, Max: 1, Reserved: true},
}

// Maps is where the signals of the machine's own frames stand. Only the set
// "full" sends any.
func Maps(set string) []Map {
	if set != "full" && set != "" {
		return nil
	}
	return append([]Map(nil), ownMaps[:]...)
}

// MapsText is Maps as text for a configuration file.
func MapsText(set string) string {
	var b strings.Builder
	for _, m := range Maps(set) {
		fmt.Fprintf(&b, "[[map]]\nsignal = %q\npgn = %d\nsource = %d\nstart_bit = %d\nlength = %d\nbyte_order = %q\nsigned = %t\nscale = %g\noffset = %g\nmin = %g\nmax = %g\nreserved = %t\n\n",
			m.Signal, m.PGN, m.Source, m.StartBit, m.Length, m.ByteOrder, m.Signed, m.Scale, m.Offset, m.Min, m.Max, m.Reserved)
	}
	return b.String()
}

// signalSet is what of the machine's knowledge is on the bus.
type signalSet struct {
	name    string
	process bool // process data, header as hitch, GNSS time and altitude
	own     bool // the machine's own frames that carry threshing signals
}

var signalSets = [...]signalSet{
	{"full", true, true},
	{"generic", true, false},
	{"bare", false, false},
}

func setNamed(name string) (signalSet, bool) {
	for _, s := range signalSets {
		if s.name == name {
			return s, true
		}
	}
	return signalSet{}, false
}
