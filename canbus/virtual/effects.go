package virtual

import "math"

// What levers act on. Each effect is a factor on what the machine would do at
// the crop's usual settings, 1 there; a bunch is added, 0 there.
const (
	onSeparation = iota // separation loss
	onCleaning          // cleaning loss
	onGrain             // clean grain in the returns
	onHeads             // unthreshed heads in the returns
	onChaff             // chaff and short straw in the returns
	onBroken            // broken grain
	onTrash             // trash in the tank
	onUnthreshed        // unthreshed grain in the tank
	onMOG               // straw taken in with the grain
	onHeaderLoss        // grain lost at the header
	onTorque            // torque that a feed asks of the rotor
	onShoePower         // power that shoe and fan draw empty
	onBunch             // swing of the feed over its mean
	effectCount
)

type effects [effectCount]float64

var noEffects = effects{1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0}

// effectLagS is how long, in s, an effect takes from the setting to where it
// is felt: what goes through rotor or shoe some seconds, what a sensor in the
// grain elevator sees longer (common practice, no source).
var effectLagS = effects{2, 3, 3, 3, 3, 10, 10, 10, 0.5, 0.5, 0.5, 0.5, 1}

func (e *effects) follow(aim *effects) {
	for i := range e {
		e[i] += (aim[i] - e[i]) * slowS / (effectLagS[i] + slowS)
	}
}

// Shares of what the returns carry at the usual settings (illustrative, no
// source).
const returnsGrain, returnsHeads, returnsChaff = 0.45, 0.15, 0.40

// returns is the factor on the returns as a whole.
func (e *effects) returns() float64 {
	return returnsGrain*e[onGrain] + returnsHeads*e[onHeads] + returnsChaff*e[onChaff]
}

// effectsNow are the effects of the levers where they are, at the feed that is
// on the shoe.
func (c *Combine) effectsNow() effects {
	return effectsOf(&c.crop, &c.levers.usual, &c.levers.at, c.flow.cleaningX, dew(c.hour())-0.25)
}

// Coefficients of theory: rate of threshing and of separation along the rotor,
// 1/m, and its length, m. With these 3.1 % are lost, and a separation rate a
// sixth lower loses 5 % (Miu's and others' exponential forms; checks H099 and
// H100).
const threshRate, separateRate, rotorM = 3.0, 2.4, 2.0

// passes is the share of grain that leaves the rotor unthreshed, and that which
// leaves it free in the straw.
func passes(thresh, separate float64) (unthreshed, free float64) {
	if math.Abs(thresh-separate) < 1e-6 {
		separate += 1e-6
	}
	unthreshed = math.Exp(-thresh * rotorM)
	return unthreshed, thresh / (thresh - separate) * (math.Exp(-separate*rotorM) - unthreshed)
}

// effectsOf works out what settings do beside the usual ones. How strong each
// effect is, is illustrative, no source; its direction is that of the table:
//
//	more of            raises                              lowers                          source of the direction
//	rotor speed        broken, trash, power, cleaning loss separation loss, unthreshed     WI-L036, LASH, HAR75
//	concave gap        unthreshed, returned heads          broken, power, fine straw       WI-L036, LASH
//	                   separation loss: least where straw is not yet mush                  -
//	fan                clean grain returned                trash, returned chaff           GEERT
//	                   cleaning loss: least between a mat that is not opened               -
//	                   and grain that is blown out; a heavy or damp mat wants more
//	upper sieve        trash, returned chaff               cleaning loss                   WI-L036
//	lower sieve        trash                               returned grain, and with it     WI-L036
//	                                                       broken and cleaning loss
//	cut height         header loss (low heads)             MOG, hence losses and power;    KG15, LUB99
//	                                                       trash (soil) under the usual
//	reel               header loss off its match, and bunches in the feed                  MU93
//	ground speed       all losses, by the feed; header     broken, by the feed             MSU67, GUL16; LASH, WI-L036
//
// WI-L036: University of Wisconsin Agronomy, L036 Combine Adjustments,
// 2006; LASH: Lashgari et al., wheat grain damage, University of Tehran; HAR75:
// Harrison, Canadian Agricultural Engineering 17(1), 1975; GEERT: Craessaerts
// et al., material other than grain in the tank; KG15: Kim and Gregory, J.
// Biosystems Eng. 40(4), 2015; LUB99: University of Agriculture Lublin, Int.
// Agrophysics 13(1), 1999; MU93: University of Missouri Extension G1280, 1993;
// MSU67: Nyborg, Michigan State University, 1967; GUL16: Cavalieri, Gulden et
// al., Crop Science 56, 2016. Without one: common practice, no source.
func effectsOf(c *Crop, usual, at *positions, shoeX, damp float64) effects {
	rotor := at[leverRotor] / usual[leverRotor]
	gap := at[leverConcave]/usual[leverConcave] - 1
	air := at[leverFan]/usual[leverFan] - 1
	upper := at[leverUpper]/usual[leverUpper] - 1
	lower := at[leverLower]/usual[leverLower] - 1
	cut := (at[leverCut] - usual[leverCut]) / stepOf(leverCut, c, usual[leverCut])
	reel := at[leverReel] - usual[leverReel]

	e := noEffects
	u0, f0 := passes(threshRate, separateRate)
	u, f := passes(threshRate*math.Pow(rotor, 1.3)*math.Exp(-0.9*gap), separateRate*rotor*math.Exp(-gap*gap))
	e[onSeparation] = (u + f) / (u0 + f0)
	e[onUnthreshed] = math.Pow(u/u0, 0.7) // some are threshed as returns
	fine := fineness(usual, at)
	e[onTorque] = math.Exp(-0.4 * gap)

	e[onGrain] = math.Exp(-3*lower + 4*air)
	e[onHeads] = e[onUnthreshed]
	e[onChaff] = fine * math.Exp(-4*air+2*upper)
	e[onBroken] = math.Pow(rotor, 4) * math.Exp(-0.8*gap) * (1 + 0.1*(e[onGrain]-1))
	soil := 1 + 0.08*min(0, cut)*cut // a low knife takes up soil
	e[onTrash] = fine * math.Exp(-5*air+1.5*upper+2*lower) * soil

	// Of the cleaning loss at the usual settings, a part is grain that is blown
	// out, and a part is carried out in the mat.
	carried := clamp(0.5+0.4*(shoeX-0.86)+0.2*damp, 0.3, 0.7)
	mat := fine * fine * fine
	e[onCleaning] = ((1-carried)*math.Exp(8*air) + carried*mat*math.Exp(-8*air)) * math.Exp(-2*upper) * max(0.8, 1+0.1*(e.returns()-1))
	e[onShoePower] = 0.7 + 0.3*math.Pow(1+air, 3)

	stem := 900.0 // mm over which straw thins out to a third
	low := 0.12   // of header loss a step
	switch {
	case c.RowHeader:
		stem, low = 2500, 0.05
	case c.Name == "soybean":
		low = 0.2 // pods hang low
	}
	e[onMOG] = math.Exp((usual[leverCut] - at[leverCut]) / stem)
	e[onHeaderLoss] = math.Exp(low*cut+0.02*max(0, cut)*cut) * (1 + 20*reel*reel)
	// A slow reel does not deliver; a fast one throws.
	e[onBunch] = 3*max(0, -reel-0.05) + 1.2*max(0, reel-0.05)
	return e
}

// fineness is how much short straw the threshing makes: 1 is usual.
func fineness(usual, at *positions) float64 {
	return math.Pow(at[leverRotor]/usual[leverRotor], 1.5) * math.Exp(-0.5*(at[leverConcave]/usual[leverConcave]-1))
}
