package signal

// The unit is the type: adding an RPM to a KPH does not compile. The unit of
// each type stands in its comment and, as a short text in the manner of UCUM,
// in the list of signals.
type (
	RPM     float64 // revolutions a minute
	KPH     float64 // kilometres an hour, over ground
	Percent float64 // 0 to 100 of what the signal names
	LPH     float64 // litres an hour
	Celsius float64 // degrees Celsius
	MM      float64 // millimetres
	Metre   float64 // metres
	TPH     float64 // tonnes (1000 kg) an hour
	Degree  float64 // degrees of angle
	Flag    float64 // 0 no, 1 yes
)

// On tells whether a flag is set.
func (f Flag) On() bool { return f == 1 }
