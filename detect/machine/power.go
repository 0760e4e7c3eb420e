package machine

// The power of a combine, in the forms of ASABE D497 (rotary power a + c*F,
// motion resistance, fuel). The tests hold them to published examples.

const (
	gravity = 9.80665 // m/s2, standard
	// motionResistance is that of stubble: 0.07 to 0.09, 0.12 to 0.15 on soft
	// ground (ASABE D497 tractive clauses, Brixius 1987).
	motionResistance = 0.08
	// driveEfficiency is that of a hydrostatic drive with final drives, 0.65
	// to 0.75 (common practice, no source).
	driveEfficiency = 0.7
)

// wheelKW is the power that rolls the machine and lifts it up a slope, at the
// wheels. Grade is rise over run.
func wheelKW(massT, speedKMH, grade float64) float64 {
	return massT * gravity * (motionResistance + grade) * speedKMH / 3.6
}

// loadFromFuel is the share of its rated power that an engine gives at a fuel
// rate: ASABE D497.7, Q = (0.22 X + 0.096) P, turned round. It holds near full
// throttle.
func loadFromFuel(litresPerHour, ratedKW float64) float64 {
	return (litresPerHour/ratedKW - 0.096) / 0.22
}

// availableShare is the power that an engine can give at a speed, as a share
// of its rated power. Percent load (SPN 92) counts from it. Combine engines
// have a torque rise of 25 to 45 %, so that power hardly changes from rated
// speed down to about 0.8 of it (common practice, no source); below, it falls
// with speed and torque.
func availableShare(ratio float64) float64 {
	switch {
	case ratio >= 0.8:
		return 1
	case ratio <= 0.4:
		return 0.35
	}
	return 0.35 + 0.65*(ratio-0.4)/0.4
}
