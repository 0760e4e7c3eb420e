package detect

import "slices"

// Target is the level of a machine's own sensor from which it is too high: what
// a calibration has found, or somebody has set, since the settings were read.
type Target struct {
	Kind string  // such as "separation-loss-high"
	Pct  float64 // over 0, up to 100
}

// SetTargets puts these targets in place of those that the settings gave. A
// kind that is not among them has what the settings gave again. Kinds that
// have no target and targets that cannot be are passed over.
func (d *Detectors) SetTargets(targets []Target) {
	for _, r := range d.rules {
		l, ok := r.(*level)
		if !ok {
			continue
		}
		l.set.Target = d.given[l.kind]
		i := slices.IndexFunc(targets, func(t Target) bool { return t.Kind == kinds[l.kind].Name && t.Pct > 0 && t.Pct <= 100 })
		if i >= 0 {
			pct := targets[i].Pct
			l.set.Target = &pct
		}
	}
}

// SetMachine takes what was set anew of the machine. What speaks of it is
// judged anew; what was learned of the crop stays. The events are the ends of
// what was active there.
func (d *Detectors) SetMachine(s Settings, f Facts) []Event {
	return d.renew(s, f, feedDrop, feedUneven, spareCapacity, limitHolding)
}

// SetCrop takes another crop: what was learned of the one before is forgotten.
// Targets are those of the settings until SetTargets. The events are the ends
// of what was active.
func (d *Detectors) SetCrop(s Settings, f Facts) []Event {
	return d.renew(s, f, feedDrop, feedUneven, separationLossHigh, cleaningLossHigh, cropLossHigh, returnsHigh,
		brokenGrainHigh, trashHigh, spareCapacity, limitHolding)
}

// renew puts new rules of some kinds in place of the old.
func (d *Detectors) renew(s Settings, f Facts, which ...int) []Event {
	d.desk.out = d.desk.out[:0]
	anew := New(s, f)
	for i, r := range d.rules {
		old := r.alarms()
		if !slices.Contains(which, old[0].kind) {
			continue
		}
		for j := range old {
			switch a := &old[j]; a.phase {
			case active:
				d.desk.end(a, d.now)
			case ending:
				d.desk.end(a, a.left)
			}
		}
		for _, n := range anew.rules {
			slots := n.alarms()
			if slots[0].kind != old[0].kind {
				continue
			}
			// What was raised less than a minute ago is not raised again at once.
			for j := range slots {
				slots[j].raised, slots[j].shelf = old[j].raised, old[j].shelf
			}
			d.rules[i] = n
		}
	}
	return d.desk.out
}
