package decode

import (
	"strconv"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

// The standard routes: which message or process data can give which signal.
// For each signal they stand in order of preference.
const (
	noRoute signal.Route = iota

	speedSelected // ISO 11783: the machine's own choice first, unless simulated
	speedGround
	speedOverGround
	speedWheel
	speedVehicle
	speedNavigation
	speedMeasured

	engineSpeedEEC1
	engineSpeedMeasured
	engineLoadEEC2
	engineTorqueEEC1
	engineTorqueMeasured
	fuelRateEngine
	fuelRateMeasured
	coolantEngine

	rotorMeasured
	fanMeasured
	concaveMeasured
	chafferMeasured
	sieveMeasured

	heightMeasured
	workingHitch
	workingHeight
	workingState
	workingImplement
	threshingTime
	unloadingStatus
	widthMeasured
	grainFlowMeasured
	moistureMeasured
	cropLossMeasured

	latitudeRapid
	latitudeGNSS
	latitudeVehicle
	longitudeRapid
	longitudeGNSS
	longitudeVehicle
	headingVessel
	headingVehicle
	headingCourse
	altitudeGNSS
	altitudeVehicle
	pitchVehicle

	standardRoutes // the owner's maps are numbered from here
)

// route is what is known of a standard route.
type route struct {
	signal signal.ID
	pgn    j1939.PGN
	spn    uint32 // 0 where NMEA numbers none
	ddi    uint16 // of process data
	engine bool   // sent by the engine, and perhaps sent again by a gateway
}

var routes = [standardRoutes]route{
	speedSelected:   {signal: signal.GroundSpeed.ID, pgn: j1939.SelectedSpeed, spn: 4305},
	speedGround:     {signal: signal.GroundSpeed.ID, pgn: j1939.GroundSpeed, spn: 1859},
	speedOverGround: {signal: signal.GroundSpeed.ID, pgn: j1939.CourseSpeedRapid},
	speedWheel:      {signal: signal.GroundSpeed.ID, pgn: j1939.WheelSpeed, spn: 1862},
	speedVehicle:    {signal: signal.GroundSpeed.ID, pgn: j1939.CruiseVehicleSpeed, spn: 84},
	speedNavigation: {signal: signal.GroundSpeed.ID, pgn: j1939.VehicleDirection, spn: 517},
	speedMeasured:   {signal: signal.GroundSpeed.ID, ddi: processdata.ActualSpeed},

	engineSpeedEEC1:      {signal: signal.EngineSpeed.ID, pgn: j1939.EEC1, spn: 190, engine: true},
	engineSpeedMeasured:  {signal: signal.EngineSpeed.ID, ddi: processdata.ActualEngineSpeed},
	engineLoadEEC2:       {signal: signal.EngineLoad.ID, pgn: j1939.EEC2, spn: 92, engine: true},
	engineTorqueEEC1:     {signal: signal.EngineTorque.ID, pgn: j1939.EEC1, spn: 513, engine: true},
	engineTorqueMeasured: {signal: signal.EngineTorque.ID, ddi: processdata.ActualEngineTorque},
	fuelRateEngine:       {signal: signal.FuelRate.ID, pgn: j1939.FuelEconomy, spn: 183, engine: true},
	fuelRateMeasured:     {signal: signal.FuelRate.ID, ddi: processdata.FuelPerTime},
	coolantEngine:        {signal: signal.Coolant.ID, pgn: j1939.EngineTemperature, spn: 110, engine: true},

	rotorMeasured:   {signal: signal.RotorSpeed.ID, ddi: processdata.ActualRevolutions},
	fanMeasured:     {signal: signal.FanSpeed.ID, ddi: processdata.SeparationFanSpeed},
	concaveMeasured: {signal: signal.Concave.ID, ddi: processdata.ConcaveClearance},
	chafferMeasured: {signal: signal.UpperSieve.ID, ddi: processdata.ChafferClearance},
	sieveMeasured:   {signal: signal.LowerSieve.ID, ddi: processdata.SieveClearance},

	heightMeasured:    {signal: signal.HeaderHeight.ID, ddi: processdata.ActualWorkingHeight},
	workingHitch:      {signal: signal.HeaderWorking.ID, pgn: j1939.FrontHitch, spn: 1876},
	workingHeight:     {signal: signal.HeaderWorking.ID, ddi: processdata.HeaderHeightStatus},
	workingState:      {signal: signal.HeaderWorking.ID, ddi: processdata.ActualWorkState},
	workingImplement:  {signal: signal.HeaderWorking.ID, pgn: j1939.MaintainPower},
	threshingTime:     {signal: signal.ThreshingEngaged.ID, ddi: processdata.ThresherEngagedTime},
	unloadingStatus:   {signal: signal.Unloading.ID, ddi: processdata.UnloadingStatus},
	widthMeasured:     {signal: signal.CutWidth.ID, ddi: processdata.ActualWorkingWidth},
	grainFlowMeasured: {signal: signal.GrainFlow.ID, ddi: processdata.MassFlow},
	moistureMeasured:  {signal: signal.GrainMoisture.ID, ddi: processdata.CropMoisture},
	cropLossMeasured:  {signal: signal.CropLoss.ID, ddi: processdata.CropLoss},

	latitudeRapid:    {signal: signal.Latitude.ID, pgn: j1939.PositionRapid},
	latitudeGNSS:     {signal: signal.Latitude.ID, pgn: j1939.GNSSPosition},
	latitudeVehicle:  {signal: signal.Latitude.ID, pgn: j1939.VehiclePosition, spn: 584},
	longitudeRapid:   {signal: signal.Longitude.ID, pgn: j1939.PositionRapid},
	longitudeGNSS:    {signal: signal.Longitude.ID, pgn: j1939.GNSSPosition},
	longitudeVehicle: {signal: signal.Longitude.ID, pgn: j1939.VehiclePosition, spn: 585},
	headingVessel:    {signal: signal.Heading.ID, pgn: j1939.VesselHeading},
	headingVehicle:   {signal: signal.Heading.ID, pgn: j1939.VehicleDirection, spn: 165},
	headingCourse:    {signal: signal.Heading.ID, pgn: j1939.CourseSpeedRapid},
	altitudeGNSS:     {signal: signal.Altitude.ID, pgn: j1939.GNSSPosition},
	altitudeVehicle:  {signal: signal.Altitude.ID, pgn: j1939.VehicleDirection, spn: 580},
	pitchVehicle:     {signal: signal.Pitch.ID, pgn: j1939.VehicleDirection, spn: 583},
}

// RouteName names a route for people and for the configured order of sources:
// "PGN 61444 SPN 190", "DDI 87", "map rotor_speed_rpm".
func (d *Decoder) RouteName(r signal.Route) string {
	switch {
	case r == noRoute:
		return "none"
	case r < standardRoutes:
		return d.routeNames[r]
	case int(r-standardRoutes) < len(d.maps):
		return d.maps[r-standardRoutes].name
	}
	return "invalid"
}

func (r *route) name() string {
	if r.ddi != 0 {
		return "DDI " + strconv.Itoa(int(r.ddi))
	}
	name := "PGN " + strconv.Itoa(int(r.pgn))
	if r.spn != 0 {
		name += " SPN " + strconv.Itoa(int(r.spn))
	}
	return name
}

// Known is a standard way to a signal.
type Known struct {
	Signal signal.ID
	Route  signal.Route
	Name   string
	PGN    j1939.PGN // 0 for process data
	SPN    uint32    // 0 where there is none
	DDI    uint16    // 0 unless process data
}

// StandardRoutes lists the standard ways to each signal, the preferred first.
func StandardRoutes() []Known {
	var all []Known
	for r := noRoute + 1; r < standardRoutes; r++ {
		k := routes[r]
		all = append(all, Known{k.signal, r, k.name(), k.pgn, k.spn, k.ddi})
	}
	return all
}
