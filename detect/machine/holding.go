package machine

import (
	"time"

	"chaffinch/canbus/signal"
)

// activityHold turns what the answers say now into an activity that does not
// flicker. A new activity has to stand for a while before it is believed; it
// then counts from when it began to stand.
//
//	cutting --header up 1.5 s--> turning --header down 1 s--> cutting
//	any     --nothing to tell 10 s--> unknown
type activityHold struct {
	next      Activity
	nextSince signal.Instant
	pending   bool

	shown basis // of which text is the text
	text  string
}

// basis is what an activity rests on: one observation or two.
type basis struct{ first, second string }

// words puts a basis into words, anew only when it has changed.
func (h *activityHold) words(b basis) string {
	if b != h.shown {
		h.shown, h.text = b, b.first
		if b.second != "" {
			h.text += ", " + b.second
		}
	}
	return h.text
}

const (
	enterCutting   = time.Second
	leaveCutting   = 1500 * time.Millisecond // a header flag may flicker for 0.3 to 1 s
	changeOther    = time.Second
	changeEngine   = 500 * time.Millisecond
	becomeUnknown  = 10 * time.Second
	leaveUnknown   = 500 * time.Millisecond
	becomeUnloaded = 2 * time.Second
)

func (h *activityHold) step(s *State, w *working) {
	seen, on := see(s, w)
	if seen == s.Activity {
		h.pending = false
		s.Basis = h.words(on)
		return
	}
	if !h.pending || seen != h.next {
		h.next, h.nextSince, h.pending = seen, s.Now, true
	}
	if s.Now.Sub(h.nextSince) < dwell(s.Activity, seen) {
		return
	}
	h.pending = false
	s.Activity, s.Basis, s.Since = seen, h.words(on), h.nextSince
	if seen == Cutting {
		s.InCrop = h.nextSince
	}
}

func dwell(from, to Activity) time.Duration {
	switch {
	case to == Unknown:
		return becomeUnknown
	case to == Off, to == Blocked:
		return changeEngine
	case from == Unknown:
		return leaveUnknown
	case from == Cutting:
		return leaveCutting
	case to == Cutting:
		return enterCutting
	case from == Unloading:
		return becomeUnloaded
	}
	return changeOther
}

// see is the table of activities, without memory.
func see(s *State, w *working) (Activity, basis) {
	switch s.Engine.Running {
	case No:
		return Off, basis{"engine off", ""}
	case NotKnown:
		if w.moving.is == NotKnown && w.threshing.is == NotKnown {
			return Unknown, basis{}
		}
	}
	switch w.threshing.is {
	case Yes:
		return seeThreshing(s, w)
	case No:
		switch {
		case w.moving.is == NotKnown:
			return Unknown, basis{}
		case w.moving.is == Yes:
			return Travelling, basis{w.moving.basis, "threshing off"}
		case w.unloading.is == Yes:
			return Unloading, basis{w.unloading.basis, "standing"}
		}
		return idle(s, w, "threshing off")
	}
	switch w.moving.is {
	case Yes:
		return Travelling, basis{w.moving.basis, "threshing not known"}
	case No:
		if w.unloading.is == Yes {
			return Unloading, basis{w.unloading.basis, "standing"}
		}
		return idle(s, w, "threshing not known")
	}
	return Unknown, basis{}
}

// idle is standing with the engine on. Nothing that merely stands is taken for
// a running engine.
func idle(s *State, w *working, threshing string) (Activity, basis) {
	if s.Engine.Running != Yes {
		return Unknown, basis{}
	}
	return Idle, basis{w.moving.basis, threshing}
}

func seeThreshing(s *State, w *working) (Activity, basis) {
	switch {
	case w.stuck(s):
		return Blocked, basis{"rotor stands", ""}
	case w.moving.is == No && w.unloading.is == Yes:
		return Unloading, basis{w.unloading.basis, "standing"}
	case w.moving.is == No:
		return Waiting, basis{w.threshing.basis, "standing"}
	case w.header.is == Yes:
		if w.moving.is == NotKnown && !w.cropInPower() {
			return Unknown, basis{}
		}
		return Cutting, basis{w.threshing.basis, w.header.basis}
	case w.header.is == No && w.moving.is == Yes:
		return Turning, basis{w.threshing.basis, w.header.basis}
	case w.moving.is == Yes:
		// Nothing tells of the header. A machine that threshes and moves is
		// in the crop for most of its time.
		return Cutting, basis{w.threshing.basis, w.moving.basis}
	}
	return Unknown, basis{}
}

// cropInPower stands in for a speed that nobody gives: the engine works more
// than it does empty.
func (w *working) cropInPower() bool { return w.header.basis == enginePower && w.header.is == Yes }
