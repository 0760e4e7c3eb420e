package decode

import (
	"math"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// kmhPerMS turns metres a second into kilometres an hour.
const kmhPerMS = 3.6

type standardPlan struct {
	pgn j1939.PGN
	plan
}

// standardPlans are the messages of SAE J1939-71, ISO 11783-7 and NMEA 2000
// that give signals. The choice among them follows ISO 11783-7: the machine's
// own selected speed first.
func standardPlans() []standardPlan {
	direct := func(pgn j1939.PGN, route signal.Route, scale float64) step {
		f := j1939.Lookup(pgn).Field(routes[route].spn)
		return step{f, route, routes[route].signal, scale}
	}
	return []standardPlan{
		{j1939.EEC1, plan{special: specialEEC1, steps: []step{direct(j1939.EEC1, engineSpeedEEC1, 1)}}},
		{j1939.EEC2, plan{steps: []step{direct(j1939.EEC2, engineLoadEEC2, 1)}}},
		{j1939.EEC3, plan{special: specialEEC3}},
		{j1939.FuelEconomy, plan{steps: []step{direct(j1939.FuelEconomy, fuelRateEngine, 1)}}},
		{j1939.EngineTemperature, plan{steps: []step{direct(j1939.EngineTemperature, coolantEngine, 1)}}},
		{j1939.SelectedSpeed, plan{special: specialSelectedSpeed}},
		{j1939.GroundSpeed, plan{steps: []step{direct(j1939.GroundSpeed, speedGround, kmhPerMS)}}},
		{j1939.WheelSpeed, plan{steps: []step{direct(j1939.WheelSpeed, speedWheel, kmhPerMS)}}},
		{j1939.CruiseVehicleSpeed, plan{steps: []step{direct(j1939.CruiseVehicleSpeed, speedVehicle, 1)}}},
		{j1939.CourseSpeedRapid, plan{special: specialCourse}},
		{j1939.VesselHeading, plan{special: specialHeading}},
		{j1939.VehicleDirection, plan{steps: []step{
			direct(j1939.VehicleDirection, headingVehicle, 1),
			direct(j1939.VehicleDirection, speedNavigation, 1),
			direct(j1939.VehicleDirection, pitchVehicle, 1),
			direct(j1939.VehicleDirection, altitudeVehicle, 1),
		}}},
		{j1939.PositionRapid, plan{special: specialPosition}},
		{j1939.VehiclePosition, plan{special: specialPosition}},
		{j1939.FrontHitch, plan{steps: []step{direct(j1939.FrontHitch, workingHitch, 1)}}},
		{j1939.MaintainPower, plan{steps: []step{{j1939.Lookup(j1939.MaintainPower).Named("in work state"),
			workingImplement, signal.HeaderWorking.ID, 1}}}},
		{j1939.TimeDate, plan{special: specialTime}},
		{j1939.SystemTime, plan{special: specialTime}},
		{j1939.DM1, plan{special: specialDM1}},
		{j1939.ProcessData, plan{special: specialProcessData}},
	}
}

// The fields that the special messages read. They are pointers into the table
// of messages, which is never written to.
var (
	torqueField     = j1939.Lookup(j1939.EEC1).Field(513)
	fractionField   = j1939.Lookup(j1939.EEC1).Field(4154)
	frictionField   = j1939.Lookup(j1939.EEC3).Field(514)
	selectedField   = j1939.Lookup(j1939.SelectedSpeed).Field(4305)
	selectedFrom    = j1939.Lookup(j1939.SelectedSpeed).Field(4308)
	courseField     = j1939.Lookup(j1939.CourseSpeedRapid).Named("course over ground")
	overGroundField = j1939.Lookup(j1939.CourseSpeedRapid).Named("speed over ground")
	headingField    = j1939.Lookup(j1939.VesselHeading).Named("heading")
	rapidLatitude   = j1939.Lookup(j1939.PositionRapid).Named("latitude")
	rapidLongitude  = j1939.Lookup(j1939.PositionRapid).Named("longitude")
	vehicleLat      = j1939.Lookup(j1939.VehiclePosition).Field(584)
	vehicleLon      = j1939.Lookup(j1939.VehiclePosition).Field(585)
	gnssLatitude    = j1939.Lookup(j1939.GNSSPosition).Named("latitude")
	gnssLongitude   = j1939.Lookup(j1939.GNSSPosition).Named("longitude")
	gnssAltitude    = j1939.Lookup(j1939.GNSSPosition).Named("altitude")
)

const (
	// simulatedSource is the value of SPN 4308 for a made-up speed.
	simulatedSource = 4
	// leastCourseSpeed is the speed in m/s below which the course over ground
	// of a receiver is noise.
	leastCourseSpeed = 0.5
)

func (d *Decoder) decodeSpecial(what special, f *canbus.Frame, data uint64, from signal.Source) {
	switch what {
	case specialEEC1:
		v, q := torqueField.ReadFrame(data, f.Len)
		if q == signal.Good {
			if fraction, fq := fractionField.ReadFrame(data, f.Len); fq == signal.Good {
				v = math.Min(v+fraction, 125)
			}
		}
		d.take(signal.EngineTorque.ID, engineTorqueEEC1, from, f.At, v, q, false)
	case specialEEC3:
		if v, q := frictionField.ReadFrame(data, f.Len); q == signal.Good {
			e := d.engines.of(from)
			e.FrictionPct, e.FrictionKnown = v, true
		}
	case specialSelectedSpeed:
		v, q := selectedField.ReadFrame(data, f.Len)
		if s, sq := selectedFrom.ReadFrame(data, f.Len); sq == signal.Good && s == simulatedSource {
			q, d.simulated = signal.NotAvailable, f.At
		}
		d.take(signal.GroundSpeed.ID, speedSelected, from, f.At, v*kmhPerMS, q, false)
	case specialCourse:
		v, q := overGroundField.ReadFrame(data, f.Len)
		d.take(signal.GroundSpeed.ID, speedOverGround, from, f.At, v*kmhPerMS, q, false)
		course, cq := courseField.ReadFrame(data, f.Len)
		if cq == signal.Good && (q != signal.Good || v < leastCourseSpeed) {
			cq = signal.NotAvailable
		}
		d.take(signal.Heading.ID, headingCourse, from, f.At, degrees(course), cq, false)
	case specialHeading:
		v, q := headingField.ReadFrame(data, f.Len)
		d.take(signal.Heading.ID, headingVessel, from, f.At, degrees(v), q, false)
	case specialPosition:
		if j1939.PGN(f.ID>>8&0x3FFFF) == j1939.PositionRapid {
			lat, latQ := rapidLatitude.ReadFrame(data, f.Len)
			lon, lonQ := rapidLongitude.ReadFrame(data, f.Len)
			d.takePosition(latitudeRapid, longitudeRapid, from, f.At, lat, lon, latQ, lonQ)
			return
		}
		lat, latQ := vehicleLat.ReadFrame(data, f.Len)
		lon, lonQ := vehicleLon.ReadFrame(data, f.Len)
		d.takePosition(latitudeVehicle, longitudeVehicle, from, f.At, lat, lon, latQ, lonQ)
	case specialTime:
		d.takeTime(j1939.PGN(f.ID>>8&0x3FFFF), f.Data[:min(f.Len, 8)], f.At)
	case specialDM1:
		d.takeDM1(f.Data[:min(f.Len, 8)], from, f.At)
	case specialProcessData:
		d.decodeProcessData(f, data, from)
	}
}

func degrees(rad float64) float64 { return math.Min(rad*(180/math.Pi), 360) }

// takePosition takes both coordinates or none. Zero and zero is what receivers
// without a fix send, and a place in the sea.
func (d *Decoder) takePosition(latRoute, lonRoute signal.Route, from signal.Source, at signal.Instant, lat, lon float64, latQ, lonQ signal.Quality) {
	if latQ == signal.Good && lonQ != signal.Good {
		latQ = lonQ
	}
	if lonQ == signal.Good && latQ != signal.Good {
		lonQ = latQ
	}
	if latQ == signal.Good && lat == 0 && lon == 0 {
		latQ, lonQ = signal.NotAvailable, signal.NotAvailable
	}
	d.take(signal.Latitude.ID, latRoute, from, at, lat, latQ, false)
	d.take(signal.Longitude.ID, lonRoute, from, at, lon, lonQ, false)
}

func (d *Decoder) takeTime(pgn j1939.PGN, payload []byte, at signal.Instant) {
	var utc time.Time
	var ok bool
	if pgn == j1939.TimeDate {
		var t j1939.BusTime
		t, ok = j1939.ParseTimeDate(payload)
		utc = t.UTC
	} else {
		utc, _, ok = j1939.ParseSystemTime(payload)
	}
	if ok && !(pgn == j1939.TimeDate && d.clock.fromAfar(at)) {
		d.clock = Clock{utc, at, pgn, true}
	}
}

// clockHolds is how long the time of a receiver keeps the machine's own clock out.
// Both are told about once a second; taken by turns, each would be another
// calendar, and be noted as such.
const clockHolds = 10 * time.Second

// fromAfar tells whether a receiver has told the time not long ago.
func (c Clock) fromAfar(at signal.Instant) bool {
	return c.Known && c.PGN != j1939.TimeDate && at.Sub(c.At) < clockHolds
}

func (d *Decoder) takeDM1(payload []byte, from signal.Source, at signal.Instant) {
	if dm, ok := j1939.ParseDiagnostic(payload, d.codes); ok {
		d.faults.Report(from, at, &dm)
	}
}

// DecodeMessage takes a message that was reassembled from several frames, when
// its last frame was received at the given instant. The slice is used again by
// the next call.
func (d *Decoder) DecodeMessage(pgn j1939.PGN, face, source, destination uint8, payload []byte, at signal.Instant) []Update {
	d.out = d.out[:0]
	from := signal.Source{Interface: min(face, interfaces-1), Address: source}
	d.heard[from.Interface][source] = at
	switch pgn {
	case j1939.DM1:
		d.takeDM1(payload, from, at)
	case j1939.EngineConfiguration:
		d.engines.of(from).read(payload)
	case j1939.TimeDate, j1939.SystemTime:
		d.takeTime(pgn, payload, at)
	case j1939.GNSSPosition:
		d.takeFix(payload, from, at)
	}
	d.decodeLongMaps(pgn, from, destination, payload, at)
	return d.out
}

// Methods of PGN 129029.
const (
	methodNone      = 0
	methodSimulated = 8
)

func (d *Decoder) takeFix(payload []byte, from signal.Source, at signal.Instant) {
	fix, ok := j1939.ParseFix(payload)
	if !ok {
		return
	}
	if fix.TimeKnown {
		d.clock = Clock{fix.UTC, at, j1939.GNSSPosition, true}
	}
	lat, latQ := gnssLatitude.Read(payload)
	lon, lonQ := gnssLongitude.Read(payload)
	alt, altQ := gnssAltitude.Read(payload)
	if fix.Method == methodSimulated {
		d.simulated = at
	}
	if fix.Method == methodNone || fix.Method == methodSimulated {
		latQ, lonQ, altQ = signal.NotAvailable, signal.NotAvailable, signal.NotAvailable
	}
	d.takePosition(latitudeGNSS, longitudeGNSS, from, at, lat, lon, latQ, lonQ)
	d.take(signal.Altitude.ID, altitudeGNSS, from, at, alt, altQ, false)
}
