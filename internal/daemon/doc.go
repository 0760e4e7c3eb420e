// Package daemon wires the parts together and runs them: it reads frames,
// lets the core think, has events stored, and publishes what is stored.
//
// Four goroutines, each with a bounded queue and a written policy:
//
//		reader --frames--> core --records--> store writer --committed--> broker, uplink
//
//	  - Frames: the reader waits for the core; what the kernel's buffer cannot
//	    hold meanwhile is lost there, and counted.
//	  - Records: never dropped. The core waits only when thousands wait.
//	  - What is published has been committed before, but for alerts that a slow
//	    or failing store would hold back: see announce.go.
//
// Start with Run.
package daemon
