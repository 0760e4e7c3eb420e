package virtual

// grain is what is known of a crop's grain and of how it is usually lost and
// spoilt, at the crop's usual settings and comfortable feed.
type grain struct {
	thousandG float64 // mass of a thousand kernels: mid-values of the trade, from memory
	// In % of the crop. Header: of the 1 to 3 % that are hard to get under
	// (NDSU, 1978 and 2003), most, and in soybean four fifths (Michigan State
	// University, 2012); how much where is illustrative.
	standingPct, headerPct float64
	// In % of the tank's content: illustrative, no source.
	brokenPct, trashPct, unthreshedPct float64
	targetPct                          float64 // loss of header and machine that is acceptable
}

var grains = map[string]grain{
	"wheat":   {35, 0.2, 0.8, 1.0, 0.8, 0.4, 3},
	"barley":  {43, 0.4, 1.0, 1.2, 1.0, 0.5, 3},
	"oats":    {35, 0.4, 1.0, 0.6, 1.2, 0.3, 3},
	"maize":   {300, 0.6, 1.2, 2.5, 0.6, 0.3, 3},
	"soybean": {160, 0.5, 2.6, 2.0, 0.8, 0.3, 3},
	"canola":  {3.3, 0.3, 1.0, 0.3, 1.5, 0.1, 2},
	"rice":    {25, 0.3, 1.0, 1.0, 1.0, 0.5, 4},
}

// recent is what a person who stops and looks would find of the last minute or
// so of work: means over recentS of cutting.
type recent struct {
	now Levels
	has bool
}

// Time constants, s, of what lies on the ground where the machine stopped, and
// of what a tank sample holds.
const groundS, tankS = 10.0, 20.0

// step takes in what is true now, while the machine is in the crop.
func (r *recent) step(c *Combine) {
	f := &c.flow
	if c.op.phase != cutting || f.rotorMOG <= 0.3*f.referenceMOG || f.cleaningX <= 0.3 {
		return
	}
	now := c.levelsNow()
	if !r.has {
		r.now, r.has = now, true
		return
	}
	r.now.blend(&now, slowS/(groundS+slowS), slowS/(tankS+slowS))
}

// levelsNow is the machine's true state, as it is this instant.
func (c *Combine) levelsNow() Levels {
	f, g := &c.flow, grains[c.crop.Name]
	e := &c.levers.effects
	return Levels{
		SpeedKMH: c.speedMS * 3.6, FeedTH: f.feedTH(), PowerKW: c.use.sum(), LoadPct: c.eng.loadPct,
		SeparationPct: f.separationPct, CleaningPct: f.cleaningPct, HeaderPct: f.headerPct,
		Returns: f.returns, ReturnedGrain: returnsGrain * e[onGrain] / e.returns(), ReturnedHeads: returnsHeads * e[onHeads] / e.returns(),
		Broken: f.broken, Trash: f.trash, Unthreshed: f.unthreshed,
		BrokenPct: f.broken * g.brokenPct, TrashPct: f.trash * g.trashPct, UnthreshedPct: f.unthreshed * g.unthreshedPct,
		Bunch: e[onBunch],
	}
}
