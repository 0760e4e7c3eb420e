package virtual

import "time"

// rate is how often a kind of trouble comes, in 12 hours of a harvest.
type rate struct {
	kind       string
	per12h     float64
	minS, maxS float64
	low, high  float64 // size
}

var rates = [...]rate{
	{"overload", 7, 45, 120, 1.10, 1.22},
	{"slug", 8, 2, 4.5, 1.18, 1.5},
	{"slug", 8, 1, 3, 0.5, 0.85}, // only a thud
	{"plug", 0.5, 8, 12, 1.8, 2.4},
	{"thick", 8, 15, 60, 1.1, 1.3},
	{"gap", 8, 9, 25, 0, 0.3},
	{"gap", 5, 2, 3, 0.2, 0.5}, // too short to matter
	{"thin", 3, 150, 400, 0.4, 0.6},
	{"uneven", 2.5, 70, 140, 0.8, 1},
	{"slow", 8, 8, 30, 0.4, 0.7},
	{"separation-loss", 3, 70, 200, 6, 12},
	{"cleaning-loss", 3, 70, 200, 6, 12},
	{"returns", 2, 80, 200, 4.5, 7},
	{"broken", 1, 100, 240, 6, 9},
	{"trash", 1, 100, 240, 6, 9},
	{"hot", 0.6, 380, 520, 0.52, 0.6},
	{"silent", 2.5, 8, 90, 0, 0},
	{"missing", 2, 8, 90, 0, 0},
	{"silent", 8, 0.5, 2.5, 0, 0}, // a dropout
	{"error", 2, 4, 60, 0, 0},
	{"error", 3, 0.5, 1.2, 0, 0},
	{"stuck", 2, 240, 700, 0, 0},
	{"implausible", 2, 5, 60, 0, 0},
	{"fault-code", 4, 20, 300, 0, 0},
	{"bus-silent", 0.8, 4, 20, 0, 0},
}

// faultCodes are some that a combine may have: numbers from SAE J1939-71 and
// those named for harvesters.
var faultCodes = [...]struct {
	spn  uint32
	fmi  uint8
	lamp string
}{
	{110, 16, "warning"}, {100, 18, "stop"}, {94, 18, "warning"}, {168, 4, ""}, {1493, 2, "warning"},
	{1497, 7, "warning"}, {1511, 3, ""}, {1554, 18, "stop"}, {1486, 11, ""}, {1541, 8, "warning"},
}

var failing = map[string][]gauge{
	"silent":      {engineLoad, fuelRate, coolant, rotorSpeed, feederLoad, separationLoss, cleaningLoss, returnsLevel},
	"missing":     {engineLoad, fuelRate, coolant, rotorSpeed, feederLoad, returnsLevel},
	"error":       {engineLoad, fuelRate, coolant, rotorSpeed, feederLoad, separationLoss, cleaningLoss, returnsLevel},
	"stuck":       {engineLoad, feederLoad, separationLoss, cleaningLoss, returnsLevel, grainFlow},
	"implausible": {engineSpeed, coolant, rotorSpeed, separationLoss, grainMoisture},
}

// Random is a harvest that nobody wrote: machine, crop, field, habits and
// trouble follow from the seed. From 2 hours on it is a day from key-on to
// key-off; a shorter one begins in the crop.
func Random(seed uint64, hours float64) Scenario {
	r := newStream(seed, 77)
	whole := hours >= 2
	start := time.Date(2024, 7, 1, 7, 0, 0, 0, time.UTC).AddDate(0, 0, int(r.next()%75)).Add(time.Duration(r.next()%240) * time.Minute)
	s := Scenario{
		Name:    "random",
		Start:   start.Format(time.RFC3339),
		Hours:   hours,
		Machine: models[r.next()%uint64(len(models))].Name,
		Signals: "full",
		InCrop:  !whole, KeyOff: whole, Break: hours >= 6,
		Pool: r.unit() < 0.6, OnTheGo: r.unit() < 0.5,
		PassM:    r.between(250, 1100),
		SlopePct: r.between(0, 3),
		Uneven:   r.between(0.06, 0.11),
		LoadPct:  r.between(74, 82),
	}
	crop := crops[r.next()%uint64(len(crops))]
	s.Crop = crop.Name
	s.YieldTHa = float64(int(crop.YieldTHa*r.between(0.85, 1.25)*10)) / 10
	s.MOGRatio = float64(int(crop.MOGRatio*r.between(0.88, 1.15)*1000)) / 1000
	s.LossSaturated = r.unit() < 0.1

	// Trouble of crop and machine is spread over the day, one after another;
	// trouble of sensors and bus keeps away from it.
	begin, end := 900.0, hours*3600-600
	if whole {
		begin = 1500
	}
	if end < begin {
		begin, end = 60, max(90, hours*3600-60)
	}
	span := (end - begin) / (12 * 3600)
	var taken [][2]float64
	for _, k := range rates {
		n := int(k.per12h * span)
		if r.unit() < k.per12h*span-float64(n) {
			n++
		}
		for range n {
			e := Trouble{Kind: k.kind, For: float64(int(r.between(k.minS, k.maxS)*10)) / 10, Size: float64(int(r.between(k.low, k.high)*1000)) / 1000}
			if e.Kind == "gap" {
				e.Size = max(e.Size, 0.01)
			}
			if list := failing[k.kind]; list != nil {
				e.Signal = gaugeInfo[list[r.next()%uint64(len(list))]].signal
			}
			if k.kind == "fault-code" {
				f := faultCodes[r.next()%uint64(len(faultCodes))]
				e.SPN, e.FMI, e.Lamp = f.spn, f.fmi, f.lamp
			}
			// A free place; a day that is full goes without.
			const apartS = 150
			for range 40 {
				at := float64(int(r.between(begin, end)))
				free := true
				for _, t := range taken {
					if at < t[1]+apartS && at+e.For > t[0]-apartS {
						free = false
						break
					}
				}
				if free {
					e.At = at
					taken = append(taken, [2]float64{at, at + e.For})
					s.Events = append(s.Events, e)
					break
				}
			}
		}
	}
	sortByTime(s.Events)
	return s
}

func sortByTime(list []Trouble) {
	for i := 1; i < len(list); i++ {
		for j := i; j > 0 && list[j].At < list[j-1].At; j-- {
			list[j], list[j-1] = list[j-1], list[j]
		}
	}
}
