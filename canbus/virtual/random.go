package virtual

import (
	"slices"
	"time"
)

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

// moreRates are drawn after all else, so that a seed keeps what it had before
// they were thought of.
var moreRates = [...]rate{
	{"hot", 1.5, 380, 520, 0.5, 0.58},
	{"crop-loss", 3, 70, 160, 22, 32},
	{"bus-errors", 1.5, 15, 90, 1.5, 15},
	{"bus-errors", 1, 5, 60, 0.1, 0.5}, // no more than some plugs make
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
	draw := func(k rate) {
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
	for _, k := range rates {
		draw(k)
	}
	for _, k := range moreRates {
		draw(k)
	}
	sortByTime(s.Events)
	if r.unit() < 0.6 {
		s.Limits = randomLimits(&r, &s)
	}
	return s
}

// randomLimits are limits of one to three settings, most of them just where
// the setting is, some far from it. The first goes with a trouble of the day,
// if there is one that has any.
func randomLimits(r *stream, s *Scenario) map[string]Limit {
	limits := map[string]Limit{}
	m, _ := modelNamed(s.Machine)
	c, _ := cropNamed(s.Crop)
	c.YieldTHa, c.MOGRatio = s.YieldTHa, s.MOGRatio
	apt := reliefs[:0:0]
	for _, l := range reliefs {
		if slices.ContainsFunc(s.Events, func(e Trouble) bool { return e.Kind == l.trouble }) {
			apt = append(apt, l)
		}
	}
	for i := range 1 + r.next()%3 {
		l := reliefs[r.next()%uint64(len(reliefs))]
		if i == 0 && len(apt) > 0 {
			l = apt[r.next()%uint64(len(apt))]
		}
		away := r.between(0, 0.008)
		if r.unit() < 0.3 {
			away = r.between(0.1, 0.2)
		}
		if l.signal == "ground_speed_kmh" {
			if !l.upper {
				continue // nobody forbids himself to go slow
			}
			away = r.between(0, 0.12)
		}
		usual := usualSetting(&m, &c, l.signal, s.LoadPct)
		if !l.upper {
			away = -away
		}
		bound := float64(int(usual*(1+away)*100+0.5)) / 100
		limit := limits[l.signal]
		if l.upper {
			limit.Max = &bound
		} else {
			limit.Min = &bound
		}
		limits[l.signal] = limit
	}
	if len(limits) == 0 {
		return nil
	}
	return limits
}

func sortByTime(list []Trouble) {
	for i := 1; i < len(list); i++ {
		for j := i; j > 0 && list[j].At < list[j-1].At; j-- {
			list[j], list[j-1] = list[j-1], list[j]
		}
	}
}
