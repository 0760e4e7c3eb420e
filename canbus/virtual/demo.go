package virtual

// Demo is a quarter of an hour that shows everything: it begins in the crop,
// and an overload comes within half a minute; then a slug that slows the
// rotor, a gap in the crop, headland turns, a sensor that dies, a fault code,
// unloading on the go, and rising losses.
func Demo() Scenario {
	return Scenario{
		Name: "demonstration", Start: "2024-07-30T13:00:00Z", Hours: 0.27,
		Machine: "large", Crop: "wheat", Signals: "full",
		InCrop: true, OnTheGo: true, PassM: 420, SlopePct: 1, Uneven: 0.08, LoadPct: 78,
		Events: []Trouble{
			{At: 8, Kind: "fault-code", SPN: 1554, FMI: 18, Lamp: "warning", For: 45},
			{At: 12, Kind: "overload", Size: 1.25, For: 40},
			{At: 150, Kind: "slug", Size: 1.35, For: 3},
			{At: 235, Kind: "gap", Size: 0.08, For: 14},
			{At: 330, Kind: "silent", Signal: "rotor_speed_rpm", For: 40},
			{At: 500, Kind: "separation-loss", For: 90},
			{At: 640, Kind: "slug", Size: 1.35, For: 2.5},
			{At: 760, Kind: "error", Signal: "cleaning_loss_pct", For: 20},
			{At: 830, Kind: "returns", For: 90},
		},
	}
}

// demoRounds are the quarters of an hour that follow, in turn with Demo.
var demoRounds = [...][]Trouble{
	{
		{At: 60, Kind: "cleaning-loss", For: 90},
		{At: 240, Kind: "slug", Size: 1.4, For: 3},
		{At: 320, Kind: "stuck", Signal: "separation_loss_pct", For: 200},
		{At: 400, Kind: "uneven", For: 80},
		{At: 560, Kind: "overload", Size: 1.15, For: 60},
		{At: 720, Kind: "fault-code", SPN: 1493, FMI: 2, Lamp: "warning", For: 60},
		{At: 780, Kind: "gap", For: 16},
		{At: 880, Kind: "missing", Signal: "rotor_speed_rpm", For: 30},
	},
	{
		{At: 30, Kind: "hot", For: 420},
		{At: 120, Kind: "slug", Size: 1.3, For: 3},
		{At: 320, Kind: "trash", For: 90},
		{At: 520, Kind: "gap", For: 12},
		{At: 600, Kind: "implausible", Signal: "grain_moisture_pct", For: 30},
		{At: 700, Kind: "thin", Size: 0.5, For: 150},
		{At: 900, Kind: "overload", Size: 1.2, For: 45},
	},
}

// DemoFor is Demo, gone on with other trouble, for so many hours.
func DemoFor(hours float64) Scenario {
	s := Demo()
	const roundS = 960
	for k := 1; float64(k)*roundS < hours*3600; k++ {
		round := Demo().Events
		if n := k % 3; n > 0 {
			round = demoRounds[n-1]
		}
		for _, e := range round {
			e.At += float64(k) * roundS
			if e.At < hours*3600-30 {
				s.Events = append(s.Events, e)
			}
		}
	}
	s.Hours = max(hours, 0.01)
	return s
}
