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

// knee finds the feed at which losses begin to climb: slow means of each loss
// level by feed, and the lowest feed at which one is well above its usual.
type knee struct {
	sensors [2]rise
	step    float64 // t/h a bin
}

// rise is one loss level by feed.
type rise struct {
	bins [24]lossBin
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
	kneeFlat     = 0.4 // share of all work: a level that is so often near its top carries no news
)

func (k *knee) second(s *State, comfortable float64) {
	rate := float64(s.Feed.Rate)
	if !(rate >= 5 && rate < 4*mostTH) || s.Feed.Basis == NoFeed {
		return
	}
	if k.step == 0 {
		k.step = comfortable / 16
	}
	i := int(rate / k.step)
	if i >= len(k.sensors[0].bins) {
		return
	}
	for n, id := range [...]signal.ID{signal.SeparationLoss.ID, signal.CleaningLoss.ID} {
		if v, ok := s.Signals.Fresh(id, s.Now); ok {
			b := &k.sensors[n].bins[i]
			b.level += max(kneeBinShare, 1/float64(b.seconds+1)) * (v - b.level)
			b.seconds++
		}
	}
}

// at is the feed of the knee in t/h.
func (k *knee) at() (lowest float64, known bool) {
	for i := range k.sensors {
		if bin, ok := k.sensors[i].at(); ok && (!known || float64(bin)*k.step < lowest) {
			lowest, known = float64(bin)*k.step, true
		}
	}
	return lowest, known
}

// at is the bin in which the level is well above its usual.
func (r *rise) at() (bin int, known bool) {
	base, seen := 0.0, 0
	all, top := 0, 0
	for i := range r.bins {
		all += r.bins[i].seconds
		if r.bins[i].level > kneeTop {
			top += r.bins[i].seconds
		}
	}
	if float64(top) > kneeFlat*float64(all) {
		return 0, false
	}
	for i := range r.bins {
		b := &r.bins[i]
		if b.seconds < kneeSeconds {
			continue
		}
		if seen >= kneeBase && b.level > base+kneeRise && base < kneeTop {
			return i, true
		}
		if seen++; seen <= kneeBase {
			base += (b.level - base) / float64(seen)
		}
	}
	return 0, false
}
