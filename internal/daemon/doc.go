// Package daemon wires the parts together and runs them: it reads frames,
// lets the core think, has events stored, and publishes what is stored.
//
// Four goroutines, each with a bounded queue and a written policy:
//
//		reader --frames--> core --records--> store writer --committed--> broker, uplink
//		broker, page --inputs--> core
//
//	  - Frames: the reader waits for the core; what the kernel's buffer cannot
//	    hold meanwhile is lost there, and counted.
//	  - Inputs: what people tell waits for the core; when too many wait, who
//	    brings one more is told to try again.
//	  - Records: never dropped. The core waits only when thousands wait.
//	  - What is published has been committed before, but for alerts that a slow
//	    or failing store would hold back: see announce.go.
//
// Start with Run.
package daemon
