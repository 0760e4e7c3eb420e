// Package survey tells a technician what is on a bus: who is there, what they
// send and how often, what chaffinch hears of each signal that it wants, what
// is missing, what that costs, and what to do about it.
//
//	s, err := survey.New(cfg)
//	s.Frame(&frame) ...
//	report := s.Report(names, log.Stats())
//	report.Write(os.Stdout, false)
//
// Counting is in survey.go and traffic.go; what each signal is good for in
// needs.go; what it all means in nodes.go, signals.go, alarms.go and verdict.go;
// the form for other programs in report.go, that for people in text.go.
package survey
