package signal

import "time"

// ID numbers a signal. It indexes Table and Infos and is not stored anywhere:
// outside the program a signal is known by its name.
type ID uint8

// Info is what is known of a signal beforehand.
type Info struct {
	Name string // snake case with unit, as in config, samples, JSON and MQTT
	Unit string // short text in the manner of UCUM; empty for flags
	// Min and Max are the physical limits: a reading outside them is OutOfRange.
	Min, Max float64
	// Decimals is how many digits after the point are worth showing.
	Decimals int
	// MaxAge is the age at which a value that is sent periodically is stale:
	// about five periods of its slowest usual sender, at least 1 s.
	MaxAge time.Duration
	// Words names the signal to a person.
	Words string
	// Flag signals are 0 or 1.
	Flag bool
}

// Key is a signal together with the type of its unit.
type Key[U ~float64] struct{ ID ID }

// The signals, in the order in which samples list them.
var (
	GroundSpeed      = Key[KPH]{0}
	EngineSpeed      = Key[RPM]{1}
	EngineLoad       = Key[Percent]{2}
	EngineTorque     = Key[Percent]{3}
	FuelRate         = Key[LPH]{4}
	Coolant          = Key[Celsius]{5}
	RotorSpeed       = Key[RPM]{6}
	FanSpeed         = Key[RPM]{7}
	Concave          = Key[MM]{8}
	UpperSieve       = Key[MM]{9}
	LowerSieve       = Key[MM]{10}
	HeaderHeight     = Key[MM]{11}
	HeaderWorking    = Key[Flag]{12}
	ThreshingEngaged = Key[Flag]{13}
	Unloading        = Key[Flag]{14}
	CutWidth         = Key[Metre]{15}
	GrainFlow        = Key[TPH]{16}
	GrainMoisture    = Key[Percent]{17}
	SeparationLoss   = Key[Percent]{18}
	CleaningLoss     = Key[Percent]{19}
	CropLoss         = Key[Percent]{20}
	Returns          = Key[Percent]{21}
	BrokenGrain      = Key[Percent]{22}
	Trash            = Key[Percent]{23}
	FeederLoad       = Key[Percent]{24}
	Latitude         = Key[Degree]{25}
	Longitude        = Key[Degree]{26}
	Heading          = Key[Degree]{27}
	Altitude         = Key[Metre]{28}
	Pitch            = Key[Degree]{29}
	Roll             = Key[Degree]{30}
)

// Count is the number of signals.
const Count = 31

// Infos describes each signal, indexed by ID. The limits are physical, not
// limits of good work; ages follow the usual rates of SAE J1939-71,
// ISO 11783-7 and NMEA 2000. Signals that come as process data are sent on
// change or as a task controller asks, so they age with their sender: see
// decode, which knows which sources are of that kind.
var Infos = [Count]Info{
	{Name: "ground_speed_kmh", Unit: "km/h", Max: 60, Decimals: 1, MaxAge: 1500 * time.Millisecond, Words: "ground speed"},
	{Name: "engine_speed_rpm", Unit: "rpm", Max: 4000, Decimals: 0, MaxAge: time.Second, Words: "engine speed"},
	{Name: "engine_load_pct", Unit: "%", Max: 130, Decimals: 0, MaxAge: time.Second, Words: "engine load"},
	{Name: "engine_torque_pct", Unit: "%", Min: -125, Max: 125, Decimals: 0, MaxAge: time.Second, Words: "engine torque"},
	{Name: "fuel_rate_l_h", Unit: "L/h", Max: 300, Decimals: 1, MaxAge: 2 * time.Second, Words: "fuel rate"},
	{Name: "coolant_c", Unit: "Cel", Min: -40, Max: 180, Decimals: 0, MaxAge: 5 * time.Second, Words: "coolant"},
	{Name: "rotor_speed_rpm", Unit: "rpm", Max: 2500, Decimals: 0, MaxAge: 1500 * time.Millisecond, Words: "rotor speed"},
	{Name: "fan_speed_rpm", Unit: "rpm", Max: 3000, Decimals: 0, MaxAge: 5 * time.Second, Words: "fan speed"},
	{Name: "concave_mm", Unit: "mm", Max: 120, Decimals: 0, MaxAge: 10 * time.Second, Words: "concave gap"},
	{Name: "upper_sieve_mm", Unit: "mm", Max: 60, Decimals: 0, MaxAge: 10 * time.Second, Words: "upper sieve"},
	{Name: "lower_sieve_mm", Unit: "mm", Max: 60, Decimals: 0, MaxAge: 10 * time.Second, Words: "lower sieve"},
	{Name: "header_height_mm", Unit: "mm", Min: -500, Max: 3000, Decimals: 0, MaxAge: 2 * time.Second, Words: "header height"},
	{Name: "header_working", Max: 1, MaxAge: 2 * time.Second, Words: "header in work", Flag: true},
	{Name: "threshing_engaged", Max: 1, MaxAge: 5 * time.Second, Words: "threshing engaged", Flag: true},
	{Name: "unloading", Max: 1, MaxAge: 5 * time.Second, Words: "unloading", Flag: true},
	{Name: "cut_width_m", Unit: "m", Max: 30, Decimals: 2, MaxAge: 10 * time.Second, Words: "cut width"},
	{Name: "grain_flow_t_h", Unit: "t/h", Max: 200, Decimals: 1, MaxAge: 5 * time.Second, Words: "grain flow"},
	{Name: "grain_moisture_pct", Unit: "%", Max: 60, Decimals: 1, MaxAge: 60 * time.Second, Words: "grain moisture"},
	{Name: "separation_loss_pct", Unit: "%", Max: 100, Decimals: 0, MaxAge: 5 * time.Second, Words: "separation loss"},
	{Name: "cleaning_loss_pct", Unit: "%", Max: 100, Decimals: 0, MaxAge: 5 * time.Second, Words: "cleaning loss"},
	{Name: "crop_loss_pct", Unit: "%", Max: 100, Decimals: 1, MaxAge: 5 * time.Second, Words: "crop loss"},
	{Name: "returns_pct", Unit: "%", Max: 100, Decimals: 0, MaxAge: 5 * time.Second, Words: "returns"},
	{Name: "broken_grain_pct", Unit: "%", Max: 100, Decimals: 1, MaxAge: 60 * time.Second, Words: "broken grain"},
	{Name: "trash_pct", Unit: "%", Max: 100, Decimals: 1, MaxAge: 60 * time.Second, Words: "trash in the tank"},
	{Name: "feeder_load_pct", Unit: "%", Max: 130, Decimals: 0, MaxAge: 2 * time.Second, Words: "feeder load"},
	{Name: "latitude_deg", Unit: "deg", Min: -90, Max: 90, Decimals: 7, MaxAge: 12 * time.Second, Words: "latitude"},
	{Name: "longitude_deg", Unit: "deg", Min: -180, Max: 180, Decimals: 7, MaxAge: 12 * time.Second, Words: "longitude"},
	{Name: "heading_deg", Unit: "deg", Max: 360, Decimals: 0, MaxAge: 5 * time.Second, Words: "heading"},
	{Name: "altitude_m", Unit: "m", Min: -500, Max: 9000, Decimals: 1, MaxAge: 12 * time.Second, Words: "altitude"},
	{Name: "pitch_deg", Unit: "deg", Min: -90, Max: 90, Decimals: 1, MaxAge: 12 * time.Second, Words: "pitch"},
	{Name: "roll_deg", Unit: "deg", Min: -90, Max: 90, Decimals: 1, MaxAge: 12 * time.Second, Words: "roll"},
}

// Info describes the signal.
func (id ID) Info() *Info { return &Infos[id] }

// String is the signal's name.
func (id ID) String() string {
	if int(id) < Count {
		return Infos[id].Name
	}
	return "invalid"
}

// ByName finds a signal by its name.
func ByName(name string) (ID, bool) {
	for id := range Infos {
		if Infos[id].Name == name {
			return ID(id), true
		}
	}
	return 0, false
}
