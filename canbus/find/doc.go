// Package find is the signal finder: it looks through a machine's bus for the
// field that carries a signal, given a few readings from the cab display.
//
//	result, err := find.Log(log, find.Query{Signal: signal.RotorSpeed.ID, Readings: readings})
//	result.WriteText(os.Stdout)
//
// # How it decides
//
// Every field of every message is a hypothesis: this sender, this position,
// this length, byte order and sign, and a straight line from raw value to
// signal. A reading was taken up to a second after the value stood on the bus,
// and it is rounded; how well a hypothesis explains the readings is the
// probability of the readings under it (a field that jumps about explains
// anything, and therefore little). Two of the readings pay for the line, fewer
// if scale and offset are round ones. The sum over all hypotheses is weighed
// against the hypothesis that the signal is not on the bus at all, under which
// the readings fall anywhere in their range. So the result says how sure it is,
// and with three readings that is seldom much. For the reasoning see
// MacKay, Information Theory, Inference, and Learning Algorithms, chapter 28.
//
// Where a field begins and ends is mostly not a matter of the readings, but of
// the whole log: the bits of one number move together. The choice among nested
// fields goes to the one under which the log is described in fewest bits
// (minimum description length, Rissanen 1978).
//
// A flag is found from the times at which its state changed: see Flags.
//
// Only single frames are searched, as maps point at nothing else.
//
// The files in reading order: query.go, collect.go, stream.go, field.go,
// structure.go, line.go, scale.go, shape.go, describe.go, rank.go, result.go,
// advice.go, text.go, picture.go; flag.go.
package find
