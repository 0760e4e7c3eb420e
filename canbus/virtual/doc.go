// Package virtual is a make-believe combine harvester: an engine with its
// governor, a rotor behind a belt, crop that varies over the field, losses,
// an operator with habits, and the bus that all of it talks on. It emits
// frames, with scripted trouble, and the truth about that trouble. It lives
// through a 12-hour shift in seconds.
//
//	c := virtual.New(virtual.Demo(), 1)
//	for frame := range c.Frames() {
//		...
//	}
//	truth := c.Truth()
//
// A script (see Scenario and Kinds for all of it) is TOML:
//
//	machine = "large"
//	crop = "wheat"
//	hours = 0.5
//	in_crop = true
//	[[event]]
//	at_s = 300
//	kind = "slug"
//	size = 1.3
//	for_s = 3
//	[[event]]
//	at_s = 600
//	kind = "silent"
//	signal = "engine_load_pct"
//
//	[settings]
//	concave = 14
//	[limits]
//	rotor_speed_rpm = { max = 760 }
//
// The same scenario and seed give the same frames, byte for byte, on one
// processor architecture (another may round floating point differently).
//
// # Levers
//
// The machine can be set, well or badly: ground_speed, rotor_speed, concave,
// fan_speed, upper_sieve, lower_sieve, cut_height and reel act on losses,
// returns, grain, trash and power, against one another. What each raises and
// lowers, and who says so, stands at effectsOf. Settings in the scenario hold
// from the start, Set moves a lever while the machine works, Missettings draws a
// machine that is badly set. Ground and Sample are what somebody would find who
// stops and looks, Condition is how the machine truly does, Best how it could.
// At the crop's usual settings no lever has any effect.
//
// # What the truth means
//
// Truth comes from the machine's true state every 100 ms, never from what its
// sensors say and never from a detector. A stretch counts as certain when the
// condition held for its delay and was, for as long, true with a margin;
// where it only nearly held, the stretch is doubtful. A stretch ends when the
// value is back beyond the return margin.
//
//	kind                  condition (return margin; surely)                                delay
//	engine-overload       cutting, load >= 95 % (92; 96.5)                                 30 s
//	                      or load >= 98 % (96; 99) and engine speed 5 % (3.5; 6) under     3 s
//	                      its speed at 75 % of rated torque; one of less than 30 s that
//	                      comes with a slowing rotor that can be heard is doubtful
//	rotor-slowing         threshing engaged, rotor 6 % (4.5; 7) under engine speed x       0.5 s
//	                      ratio less usual slip; not while the clutch closes
//	feed-drop             feed under 50 % (60; 44) of its mean over the minute before it   4 s
//	                      fell, ground speed at least 70 % of its own
//	feed-uneven           coefficient of variation, over 30 s, of feed over the ground     30 s
//	                      speed at which it was cut, at least 25 % (20; 28), and no drop
//	                      in them; doubtful where a lump or an overload explains it
//	spare-capacity        crop power under 65 % (72; 58) of what is left of 85 % of        90 s
//	                      rated power on this ground; load under 88 %, losses usual;
//	                      doubtful while returns or trash are high
//	*-loss-high,          the level that the sensor would show without noise is over its   10 s
//	returns-high,         usual one by 15 points or 3 standard deviations (noise and usual
//	broken-grain-high,    changes of feed), whichever is more (0.7 of that; 1.15). Usual is
//	trash-high            that at 0.86 of the feed at 85 % of rated power, in the damp and
//	                      on the slopes of the last quarter of an hour. Doubtful where an
//	                      overload, a slowing rotor or a header that feeds in bunches
//	                      explains it, where the script's trouble is too small for it,
//	                      while its sensor is stuck, and all day for a saturated one
//	crop-loss-high        percent of grain lost by separation and cleaning together, over   10 s
//	                      its usual one likewise; doubtful where the two are heard apart
//	engine-hot            coolant over 105 C (103; 106), any activity                      10 s
//	limit-holding         a setting within 2 % (4; 1.5) of the owner's limit, while the     10 s
//	                      alarm of the symptom holds that going on would relieve; spare
//	                      capacity is doubtful under a limit of ground speed that holds
//	signal-silent,        from when the script made the sensor so until it mended it, if   5 s,
//	signal-faulty,        it lasted 1.2 times the delay (doubtful from 0.7); not with the  2 s,
//	signal-stuck,         engine off or just started; stuck needs 90 s of cutting;         -,
//	signal-implausible    doubtful where there is another source                           1 s
//	fault-code            a code is in DM1                                                 1 s
//	bus-silent            no frame                                                         2 s
//	bus-errors            the script's share of error frames, over 10 s, at least 1.3 %      -
//	                      (doubtful from 0.6 %)
//
// A stretch that follows another of its kind within 20 s, or that is over
// within 70 s of the other's beginning, is doubtful: an alarm that is still
// active, or the rule of one a minute, may cover it. Of spare capacity, which is
// judged by slow means, it is 60 s.
//
// What only counts while cutting begins 10 s after the machine entered the
// crop, which is when header and ground speed are in work with threshing
// engaged; overload and slowing rotor count at once. A clock, a store and
// a broker are nothing that a bus could tell: those kinds have no truth here.
package virtual
