package coaching

import (
	"context"
	"fmt"
	"runtime"
	"sync"
)

// RunAll plays cases on all processors and hands over their sessions in the
// order of the list.
func RunAll(ctx context.Context, cases []Case, each func(*Session) error) error {
	type result struct {
		session *Session
		err     error
	}
	results := make([]chan result, len(cases))
	for i := range results {
		results[i] = make(chan result, 1)
	}
	next := make(chan int)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for i := range next {
				s, err := Run(cases[i])
				results[i] <- result{s, err}
			}
		})
	}
	ctx, stop := context.WithCancel(ctx)
	workers.Go(func() {
		defer close(next)
		for i := range cases {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	defer workers.Wait()
	defer stop()
	for i := range results {
		select {
		case r := <-results[i]:
			if r.err != nil {
				return fmt.Errorf("coaching: case %d: %w", cases[i].Seed, r.err)
			}
			if err := each(r.session); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}
