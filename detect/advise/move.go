package advise

import (
	"math"
	"slices"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// move is one of the knowledge's moves, made ready for this machine and crop.
type move struct {
	*knowledge.Move
	lever    *knowledge.Lever
	stopped  bool   // worked with the machine standing
	check    string // it asks for a check instead of a setting
	limits   machine.Limit
	bounds   [2]float64 // what can be set at all
	follower int        // index of its setting's follower, or -1
	driving  bool       // it is the ground speed
	sides    []measure  // what it may make worse and a sensor can tell
	risks    []int      // symptoms
}

// Levers that are no settings but checks.
var checkLevers = map[string]string{"ground_count": GroundCheck, "returns_sample": ReturnsCheck, "tank_sample": TankCheck}

// prepare looks up everything about the moves of a symptom once.
func (a *Adviser) prepare() {
	base := a.facts.Knowledge
	known := a.followers
	a.followers = nil
	for i := range base.Lever {
		f, ok := newFollower(&base.Lever[i], a.facts.Crop.Name)
		if !ok {
			continue
		}
		for j := range known {
			if known[j].lever == f.lever {
				f = known[j]
				f.crop = a.facts.Crop.Name
			}
		}
		a.followers = append(a.followers, f)
	}
	for i := range symptoms {
		a.moves[i] = nil
		found := base.Moves(symptoms[i].name, a.facts.Crop.Name, a.facts.Machine.Header)
		for j := range found {
			if m, ok := a.ready(&found[j]); ok {
				a.moves[i] = append(a.moves[i], m)
			}
		}
	}
}

func (a *Adviser) ready(k *knowledge.Move) (m move, ok bool) {
	own := &a.facts.Machine
	lever := a.facts.Knowledge.LeverNamed(k.Lever)
	if lever == nil {
		return m, false
	}
	m = move{Move: k, lever: lever, follower: -1, check: checkLevers[lever.Name]}
	switch lever.From {
	case knowledge.FromSeat:
	case knowledge.FromMachine:
		m.stopped = !slices.Contains(own.SeatAdjustable, lever.Name)
	default:
		m.stopped = true
	}
	m.bounds = [2]float64{math.Inf(-1), math.Inf(1)}
	if id, known := signal.ByName(lever.Signal); known {
		m.driving = id == signal.GroundSpeed.ID
		m.limits = own.Limits[lever.Signal]
		info := id.Info()
		m.bounds = [2]float64{info.Min, info.Max}
		if info.Min >= 0 {
			m.bounds[0] = max(info.Min, lever.Step) // nothing is shut altogether
		}
	}
	for i := range a.followers {
		if a.followers[i].lever == lever {
			m.follower = i
		}
	}
	for _, name := range k.Risks {
		r := symptomNamed(name)
		if r < 0 {
			continue
		}
		m.risks = append(m.risks, r)
		if at := symptoms[r].level; at != noMeasure && !symptoms[r].higher && len(m.sides) < maxSides && !slices.Contains(m.sides, at) {
			m.sides = append(m.sides, at)
		}
	}
	return m, true
}

// way is the sign of a direction: 0 for what has none.
func way(direction string) float64 {
	switch direction {
	case knowledge.Up:
		return 1
	case knowledge.Down:
		return -1
	}
	return 0
}

// reach is how far a move can go from where its lever stands.
type reach struct {
	from, to float64
	known    bool    // both
	by       float64 // how far, where they are not known and the lever has a scale outside the cab
	atLimit  bool    // the owner's limit leaves no room
	atEnd    bool    // nor does the lever itself
	limit    float64
}

// leastShare of a step has to be left up to a limit for it to be worth a prompt.
const leastShare = 0.5

// reachOf is where a move would take its lever; steps multiplies its usual size.
func (a *Adviser) reachOf(m *move, steps float64) (r reach) {
	dir := way(m.Direction)
	if dir == 0 {
		return r
	}
	from, known := a.present(m)
	if !known {
		if m.stopped && m.lever.Unit == "mm" {
			r.by = m.lever.Amount(m.Steps*steps, 0)
		}
		return r
	}
	round := m.lever.Round
	if round > 0 {
		from = round * math.Round(from/round)
	}
	amount := m.lever.Amount(m.Steps*steps, from)
	if !(amount > 0) {
		return r
	}
	r = reach{from: from, to: from + dir*amount, known: true}
	if best, ok := a.bestOf(m.lever.Name); ok {
		// What worked before is where to go, if it is not further than a few steps.
		if gap := dir * (best - from); gap >= amount*leastShare && gap <= 3*amount {
			r.to = best
		}
	}
	bound, own := m.bounds[1], m.limits.Max
	if dir < 0 {
		bound, own = m.bounds[0], m.limits.Min
	}
	if own != nil {
		bound = *own
	}
	if dir*(r.to-bound) <= 0 {
		return r
	}
	r.to = bound
	if dir*(bound-from) < leastShare*amount {
		r.atLimit, r.atEnd, r.limit = own != nil, own == nil, bound
	}
	return r
}

// present is where the lever of a move stands.
func (a *Adviser) present(m *move) (float64, bool) {
	switch {
	case m.driving:
		return a.work.meanSpeed(60)
	case m.follower >= 0:
		return a.followers[m.follower].present(a.now)
	}
	return 0, false
}
