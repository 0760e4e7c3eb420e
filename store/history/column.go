package history

import (
	"math"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Codes of columns. A code is for ever: files hold it.
const (
	codeAt       = 0
	codeActivity = 1
	codeOnTheGo  = 2
	codeRate     = 3
	codeSD       = 4
	codeFullness = 5
	codeBasis    = 6
	firstSignal  = 16
)

// signals are the columns that are signals, from firstSignal on, by name. A name
// stays at its place for ever, also of a signal that is no more.
var signals = [...]string{
	"ground_speed_kmh", "engine_speed_rpm", "engine_load_pct", "engine_torque_pct",
	"fuel_rate_l_h", "coolant_c", "rotor_speed_rpm", "fan_speed_rpm",
	"concave_mm", "upper_sieve_mm", "lower_sieve_mm", "header_height_mm",
	"header_working", "threshing_engaged", "unloading", "cut_width_m",
	"grain_flow_t_h", "grain_moisture_pct", "separation_loss_pct", "cleaning_loss_pct",
	"crop_loss_pct", "returns_pct", "broken_grain_pct", "trash_pct",
	"feeder_load_pct", "latitude_deg", "longitude_deg", "heading_deg",
	"altitude_m", "pitch_deg", "roll_deg",
}

// codes are those of signals by ID, and ids the other way round. A signal
// without a code, or a code of a signal that is no more, has none.
type coding struct {
	codes [signal.Count]uint8
	ids   [256]signal.ID
}

const noSignal = signal.ID(255)

func newCoding() *coding {
	var c coding
	for i := range c.ids {
		c.ids[i] = noSignal
	}
	for i, name := range signals {
		if id, ok := signal.ByName(name); ok {
			c.codes[id] = uint8(firstSignal + i)
			c.ids[firstSignal+i] = id
		}
	}
	return &c
}

// decimals of a column: a digit more than is worth showing, so that nothing
// that is shown is lost. It equals what the samples have.
func decimals(code uint8, id signal.ID) int {
	switch code {
	case codeRate, codeSD:
		return 2
	case codeFullness:
		return 1
	case codeAt:
		return 9 // nanoseconds
	}
	if code < firstSignal || id.Info().Flag {
		return 0
	}
	return id.Info().Decimals + 1
}

var powers = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9}

// quantise is v in steps of the decimals, if it is a number that has such steps.
func quantise(v float64, decimals int) (int64, bool) {
	q := math.Round(v * powers[decimals])
	if math.IsNaN(q) || math.Abs(q) > 1<<53 {
		return 0, false
	}
	return int64(q), true
}

// column is one of a block: whole numbers, and in which rows they are known.
type column struct {
	code     uint8
	decimals int
	n        int // values, of the rows in which it is known
	values   [MaxRows]int64
	known    [MaxRows]bool
}

// put appends a value in a row.
func (c *column) put(row int, q int64) {
	c.values[c.n] = q
	c.n++
	c.known[row] = true
}

func activityKnown(a int64) bool { return a >= 0 && a <= int64(machine.Blocked) }
func basisKnown(b int64) bool    { return b >= 0 && b <= int64(machine.FromGrainFlow) }
