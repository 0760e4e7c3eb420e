package score

// Deadlines say how many seconds after its trouble began an alert is still in
// time, by kind. A kind without one has no deadline.
type Deadlines map[string]float64

func (d Deadlines) of(kind string) float64 {
	if s, ok := d[kind]; ok {
		return s
	}
	return 1e18
}

// UsualDeadlines are the delay that the kind itself asks for, and what an
// operator can spare on top: 2.5 s of a slowing rotor, 20 s of an overload,
// 30 s of a drop of feed, a minute of what wears on slowly, three of what only
// could be gained.
func UsualDeadlines() Deadlines {
	return Deadlines{
		"bus-silent": 5, "bus-errors": 30, "signal-faulty": 10, "signal-silent": 20, "fault-code": 5,
		"rotor-slowing": 3, "engine-overload": 50, "engine-hot": 60,
		"feed-drop": 30, "feed-uneven": 90, "spare-capacity": 270,
		"separation-loss-high": 70, "cleaning-loss-high": 70, "crop-loss-high": 70,
		"returns-high": 70, "broken-grain-high": 90, "trash-high": 90,
		"limit-holding": 120, "signal-stuck": 300, "signal-implausible": 30,
	}
}
