package machine

import "chaffinch/canbus/signal"

// fullness is the feed over that at which the engine would be comfortably
// full, or at which losses begin to climb if that is less.
func (f *feedEstimate) fullness(s *State) {
	if !f.comfort.known() || f.comfort.mean < 5 || s.Feed.Basis == NoFeed {
		return
	}
	most := f.comfort.mean
	if at, ok := f.knee.at(); ok {
		most = min(most, at)
	}
	s.Feed.Fullness = signal.Percent(min(150, 100*float64(s.Feed.Rate)/most))
	s.Feed.FullnessKnown = true
}

// knee finds the feed at which losses begin to climb: slow means of the loss
// levels by feed, and the lowest feed whose mean is well above the usual one.
type knee struct {
	bins [24]lossBin
	step float64 // t/h a bin
}

type lossBin struct {
	level   float64
	seconds int
}

const (
	kneeTop      = 60.0 // %: what is shown above says that a sensor saturates
	kneeRise     = 40.0 // points over the level at lower feed
	kneeBase     = 3    // bins of lowest feed that are the base
	kneeSeconds  = 240  // of a bin: a tough patch of two minutes is no knee
	kneeBinShare = 1.0 / 600
)

func (k *knee) second(s *State, comfortable float64) {
	rate := float64(s.Feed.Rate)
	if !(rate >= 5 && rate < 4*mostTH) || s.Feed.Basis == NoFeed {
		return
	}
	if k.step == 0 {
		k.step = comfortable / 16
	}
	worst, heard := 0.0, false
	for _, id := range [...]signal.ID{signal.SeparationLoss.ID, signal.CleaningLoss.ID} {
		if v, ok := s.Signals.Fresh(id, s.Now); ok {
			worst, heard = max(worst, v), true
		}
	}
	i := int(rate / k.step)
	if !heard || i >= len(k.bins) {
		return
	}
	b := &k.bins[i]
	b.level += max(kneeBinShare, 1/float64(b.seconds+1)) * (worst - b.level)
	b.seconds++
}

// at is the feed of the knee in t/h.
func (k *knee) at() (float64, bool) {
	base, seen := 0.0, 0
	for i := range k.bins {
		b := &k.bins[i]
		if b.seconds < kneeSeconds {
			continue
		}
		if seen >= kneeBase && b.level > base+kneeRise && base < kneeTop {
			return float64(i) * k.step, true
		}
		if seen++; seen <= kneeBase {
			base += (b.level - base) / float64(seen)
		}
	}
	return 0, false
}
