package virtual

import "sort"

// gauge is a sensor that can fail.
type gauge uint8

const (
	engineSpeed gauge = iota
	engineLoad
	engineTorque
	fuelRate
	coolant
	groundSpeed
	rotorSpeed
	feederLoad
	separationLoss
	cleaningLoss
	returnsLevel
	brokenGrain
	trashLevel
	grainFlow
	grainMoisture
	gaugeCount
)

// gaugeInfo names the signal, and gives a value that its field can carry but
// the machine cannot have.
var gaugeInfo = [gaugeCount]struct {
	signal string
	absurd float64
}{
	{"engine_speed_rpm", 6200},
	{"engine_load_pct", 220},
	{"engine_torque_pct", 125},
	{"fuel_rate_l_h", 2500},
	{"coolant_c", 205},
	{"ground_speed_kmh", 90},
	{"rotor_speed_rpm", 6000},
	{"feeder_load_pct", 400},
	{"separation_loss_pct", 400},
	{"cleaning_loss_pct", 400},
	{"returns_pct", 400},
	{"broken_grain_pct", 400},
	{"trash_pct", 400},
	{"grain_flow_t_h", 900},
	{"grain_moisture_pct", 95},
}

func gaugeNamed(signal string) (gauge, bool) {
	for g := range gaugeInfo {
		if gaugeInfo[g].signal == signal {
			return gauge(g), true
		}
	}
	return 0, false
}

// ailment is how a gauge is doing.
type ailment uint8

const (
	well ailment = iota
	notAvailable
	missing
	faulty
	stuck
	absurd
	drifting
)

var ailmentOf = map[string]ailment{
	"silent": notAvailable, "missing": missing, "error": faulty,
	"stuck": stuck, "implausible": absurd, "drift": drifting,
}

// condition is the state of a gauge.
type condition struct {
	ailment ailment
	held    uint32 // raw value kept while stuck
	holds   bool   // held is set
	gain    float64
}

// word is a value on its way into a field of a frame: the raw number with the
// indicators of SAE J1939-71 for "not available" and "error".
//
// bytes is the width of the field.
func (c *Combine) word(g gauge, value, scale, offset float64, bytes int) uint32 {
	s := &c.gauges[g]
	top := uint32(1)<<(8*bytes) - 1
	switch s.ailment {
	case notAvailable, missing:
		return top
	case faulty:
		return top &^ (1 << (8 * (bytes - 1))) // 0xFE in the top byte
	case stuck:
		if !s.holds {
			s.held, s.holds = raw(value, scale, offset, bytes), true
		}
		return s.held
	case absurd:
		value = gaugeInfo[g].absurd
	case drifting:
		value *= s.gain
	}
	return raw(value, scale, offset, bytes)
}

// raw is the number of a field, kept within the valid range of its width.
func raw(value, scale, offset float64, bytes int) uint32 {
	most := float64(uint32(0xFB)<<(8*(bytes-1)) - 1)
	return uint32(clamp((value-offset)/scale+0.5, 0, most))
}

func kindNames() []string {
	var names []string
	for name := range kinds {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}
