// Package advise helps the operator to set the machine: it sees what is wrong,
// proposes ONE adjustment at a time, waits until it has settled, judges before
// against after at matched feed, and remembers.
//
// It is a pure function of states, alarms, answers and checks in the order of
// event time: the same input gives the same dialogue.
//
//	adviser := advise.New(advise.Facts{...})
//	for each state {
//		notes := adviser.Step(state, detectors.Step(state))
//	}
//	notes := adviser.Answer(advise.Answer{Prompt: 3, Reply: advise.Done})
//	notes := adviser.Check(advise.Check{Tank: &advise.TankSample{Broken: advise.Some}})
//
// # The dialogue
//
//	stage     what happens                                       next
//	idle      something is wrong, the moment is right, a move    proposed
//	          is left: the prompt opens
//	idle      the operator changes a setting unasked             settling
//	proposed  he does it: says so, or the bus shows it           settling
//	proposed  he says later or not possible; or it expires       idle
//	proposed  he changes another setting: the prompt closes      settling
//	settling  the lever's time of steady work has passed         judging, or
//	                                                             sampling where no sensor tells
//	settling, another setting is changed: could not judge        settling
//	judging
//	judging   the windows tell: better                           idle
//	judging   the windows tell: worse, or no clear change; or    proposed: put it back
//	          a side has come out worse and over its target
//	judging   they tell nothing within the longest time          idle
//	sampling  a check tells better / worse or no change          idle / proposed: put it back
//	sampling  no check comes                                     idle
//	settling  after "put it back": the time has passed           idle
//
// Steady work is cutting, out of the first seconds in the crop, not unloading,
// at a speed that is held. The clocks of settling and judging run only then.
package advise
