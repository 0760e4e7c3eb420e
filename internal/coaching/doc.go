// Package coaching puts the adviser to the test of the whole way: a make-believe
// combine that is badly set, its frames, the core, the adviser with what the
// program knows, and an operator who does what a prompt says. What came of it is
// held against the truth of the machine.
//
//	cases := coaching.Cases(1, 60, coaching.BadlySet)
//	err := coaching.RunAll(ctx, cases, func(s *coaching.Session) error { table.Add(s) })
//
// Beside the badly set machines (BadlySet) there are well set ones, which are to be
// left in peace, and two benches for verdicts: machines of which nothing is moved,
// though the operator says so (Unmoved), where better and worse are false; and an
// operator who goes HeavyTimes as far as he is asked (HeavyHanded), whose changes
// are large enough to have to be seen. A large change that was put back because
// another level had come out worse before anything could be told is counted apart.
// HandSet are badly set machines whose concave and sieves are set by hand with the
// machine stopped, where no bus tells; there the operator has a break of five minutes
// every forty, and is two minutes at a sieve and four at the concave.
//
// # The operator
//
// He is obedient and not quick. He reads a prompt for 10 to 40 seconds, then
// moves the lever where it says; where it names no number he moves it by one
// usual step. A ground speed that he was asked for he holds; once it is put back,
// could not be judged, or was asked for only to fill the machine, he drives by the
// engine's load again. He looks after parts that he is told to look after and finds
// nothing wrong; what the machine has not he answers with "not possible".
//
// He looks at samples and counts kernels only at a stop: beside the cart once
// the tank is empty, at the end of a pass after the first six minutes in the
// crop, and at the end of a pass some minutes after a change that only a look
// can judge. A tank or returns sample takes him a minute, a count on the ground
// four; the machine stands meanwhile, and that time is in the hours. A sample is
// half a kilogram, a count some square metres: what he finds scatters as
// pieces and kernels do (Poisson), and he tells grades, not numbers.
//
// The targets of the sensors are those of the make-believe machine's condition,
// as the owner would have set them ([alarm.KIND] target_pct).
package coaching
