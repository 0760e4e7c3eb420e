package virtual

import "math"

// Levels are how a combine does: the truth, not what sensors show.
type Levels struct {
	SpeedKMH float64
	FeedTH   float64 // grain and MOG together, t/h
	PowerKW  float64 // at the engine
	LoadPct  float64 // of the engine; in a Levels that was worked out, power over rated power

	SeparationPct float64 // of grain, lost at the rotor; with what is unthreshed
	CleaningPct   float64 // of grain, lost at the sieves
	HeaderPct     float64 // of the crop, lost at the header

	Returns                      float64 // of a usual amount
	ReturnedGrain, ReturnedHeads float64 // shares of them; the rest is chaff and short straw

	Broken, Trash, Unthreshed          float64 // of a usual amount
	BrokenPct, TrashPct, UnthreshedPct float64 // of what is in the tank

	Bunch float64 // swing of the feed over its mean, from the reel
}

// LossPct is what header and machine lose together, in % of the crop.
func (l *Levels) LossPct() float64 { return l.SeparationPct + l.CleaningPct + l.HeaderPct }

// Shown is what the machine's sensor of a signal would show for these levels,
// 0 to 100, without noise. It is not a number for a signal that is no such
// level.
func (l *Levels) Shown(signal string) float64 {
	switch signal {
	case "separation_loss_pct":
		return level(l.SeparationPct, separationScale)
	case "cleaning_loss_pct":
		return level(l.CleaningPct, cleaningScale)
	case "crop_loss_pct":
		return l.SeparationPct + l.CleaningPct
	case "returns_pct":
		return level(l.Returns, returnsScale)
	case "broken_grain_pct":
		return level(l.Broken, brokenScale)
	case "trash_pct":
		return level(l.Trash, trashScale)
	}
	return math.NaN()
}

// cost puts the levels into one number, in % of the worth of the crop: what is
// lost, what is docked for a bad sample (more than in proportion), and what machine and operator cost
// while they are at it. The weights are illustrative: a machine's hour is taken
// for 5 % of the worth of what it harvests in an hour at comfortable feed
// (about AUD 500 of AUD 10 000).
func (l *Levels) cost(fullTH float64) float64 {
	cost := l.LossPct() + 0.35*l.BrokenPct*l.Broken + 0.2*l.TrashPct*l.Trash + 0.4*l.UnthreshedPct*l.Unthreshed
	cost += 5 * fullTH / max(l.FeedTH, 0.02*fullTH)
	cost += 0.3*max(0, l.Returns-1.5) + 4*l.Bunch
	strain := max(0, l.LoadPct-82) // an engine near its limit does not harvest
	return cost + 0.03*strain*strain
}

// blend moves towards other levels: what falls on the ground with one share,
// what comes into the tank with another.
func (l *Levels) blend(to *Levels, ground, tank float64) {
	for _, v := range [...]struct{ a, b *float64 }{
		{&l.SpeedKMH, &to.SpeedKMH}, {&l.FeedTH, &to.FeedTH}, {&l.PowerKW, &to.PowerKW}, {&l.LoadPct, &to.LoadPct},
		{&l.SeparationPct, &to.SeparationPct}, {&l.CleaningPct, &to.CleaningPct}, {&l.HeaderPct, &to.HeaderPct},
		{&l.Returns, &to.Returns}, {&l.ReturnedGrain, &to.ReturnedGrain}, {&l.ReturnedHeads, &to.ReturnedHeads}, {&l.Bunch, &to.Bunch},
	} {
		*v.a += ground * (*v.b - *v.a)
	}
	for _, v := range [...]struct{ a, b *float64 }{
		{&l.Broken, &to.Broken}, {&l.Trash, &to.Trash}, {&l.Unthreshed, &to.Unthreshed},
		{&l.BrokenPct, &to.BrokenPct}, {&l.TrashPct, &to.TrashPct}, {&l.UnthreshedPct, &to.UnthreshedPct},
	} {
		*v.a += tank * (*v.b - *v.a)
	}
}

// steady works out the levels that settings would lead to in steady work: even
// crop of the field's yield on level ground, in the damp of the hour, with the
// trouble of the script that is on.
func (c *Combine) steady(at *positions) Levels {
	m, crop, f, g := &c.model, &c.crop, &c.flow, grains[c.crop.Name]
	damp := dew(c.hour()) - 0.25
	speed := at[leverSpeed]
	grain := 0.97 * c.width * speed * crop.YieldTHa / 10
	stem := effectsOf(crop, &c.levers.usual, at, 0.86, damp)[onMOG]
	mog := grain * crop.MOGRatio * stem
	x := mog / f.referenceMOG
	e := effectsOf(crop, &c.levers.usual, at, x, damp)
	rotor := at[leverRotor] / c.levers.usual[leverRotor]
	size, tough := sizeOf(m), (1+0.2*damp)*f.moreTough
	inside := tough * (crop.PerMOG*mog + crop.PerGrain*grain)

	l := Levels{SpeedKMH: speed, FeedTH: grain + mog}
	l.PowerKW = drawnKW(propulsionKW(m.MassT+0.4*m.TankM3*crop.KGPerM3/1000, resistanceField, 0, speed/3.6)) +
		headerKWPerM*c.width + headerKWPerTH*(grain+mog) + feederCrop*inside +
		rotorBase*crop.BaseKW*size*rotor*rotor + rotorCrop*inside*rotor*e[onTorque] +
		shoeBase*crop.BaseKW*size*e[onShoePower] + shoeCrop*inside + chopperKW*size + chopperMOG*mog + auxiliaryShare*m.RatedKW
	l.LoadPct = 100 * l.PowerKW / m.RatedKW
	l.SeparationPct = min(25, separationLaw(x, damp)*f.moreSeparation*e[onSeparation])
	l.CleaningPct = min(25, cleaningLaw(x, damp, 1)*f.moreCleaning*e[onCleaning])
	l.HeaderPct = headerLossPct(crop, speed/c.levers.usual[leverSpeed], damp) * e[onHeaderLoss]
	l.Returns = min(12, returnsLaw(x)*f.moreReturns*e.returns())
	l.ReturnedGrain, l.ReturnedHeads = returnsGrain*e[onGrain]/e.returns(), returnsHeads*e[onHeads]/e.returns()
	l.Broken = brokenLaw(x, damp) * f.moreBroken * e[onBroken]
	l.Trash = trashLaw(x) * f.moreTrash * e[onTrash]
	l.Unthreshed = unthreshedLaw(x, damp) * e[onUnthreshed]
	l.BrokenPct, l.TrashPct, l.UnthreshedPct = l.Broken*g.brokenPct, l.Trash*g.trashPct, l.Unthreshed*g.unthreshedPct
	l.Bunch = e[onBunch]
	return l
}

// Condition is how the machine does now, and how it would in steady work.
type Condition struct {
	Settings map[string]float64 // where the levers are, as Setting tells
	Now      Levels             // means of the last seconds of cutting
	Steady   Levels             // what the settings lead to in even crop
	Usual    Levels             // what the crop's usual settings would lead to
	// Target is how good is good enough: the crop's acceptable loss, and half
	// as much again as the usual settings give of all else.
	Target Levels
	// TargetLossPct is the acceptable loss of header and machine, % of the crop.
	TargetLossPct float64
	// Cost and UsualCost put Steady and Usual into one number, in % of the
	// worth of the crop; less is better.
	Cost, UsualCost float64
}

// Condition is how the machine does.
func (c *Combine) Condition() Condition {
	at := c.positionsNow()
	k := Condition{Settings: c.named(&at), Now: c.seen.now, Steady: c.steady(&at), Usual: c.steady(&c.levers.usual)}
	if !c.seen.has {
		k.Now = k.Steady
	}
	k.Cost, k.UsualCost = k.Steady.cost(c.flow.fullTH), k.Usual.cost(c.flow.fullTH)
	k.TargetLossPct = grains[c.crop.Name].targetPct
	k.Target = k.Usual
	for _, v := range []*float64{&k.Target.SeparationPct, &k.Target.CleaningPct, &k.Target.HeaderPct, &k.Target.Returns, &k.Target.Broken, &k.Target.Trash,
		&k.Target.Unthreshed, &k.Target.BrokenPct, &k.Target.TrashPct, &k.Target.UnthreshedPct} {
		*v *= 1.5
	}
	return k
}

// Would is what other settings, by the names of levers, would lead to now in
// steady work, and what that costs; levers that are not named stay where they
// are. See Condition.
func (c *Combine) Would(settings map[string]float64) (levels Levels, cost float64) {
	at := c.positionsNow()
	for l := range levers {
		if v, ok := settings[levers[l].name]; ok {
			at[l] = v
		}
	}
	levels = c.steady(&at)
	return levels, levels.cost(c.flow.fullTH)
}

func (c *Combine) positionsNow() positions {
	at := c.levers.at
	at[leverSpeed] = c.setting(leverSpeed)
	return at
}

// named are positions by the names of the levers that the machine has.
func (c *Combine) named(at *positions) map[string]float64 {
	list := map[string]float64{}
	for l := range levers {
		if _, err := leverNamed(levers[l].name, &c.crop); err == nil {
			list[levers[l].name] = at[l]
		}
	}
	return list
}
