package store

import (
	"fmt"

	"chaffinch/internal/problem"
	bolt "go.etcd.io/bbolt"
)

// migration brings a file from one schema to the next, in the transaction that
// opens it.
type migration func(*bolt.Tx) error

// migrations holds at n-1 the step from schema n to n+1.
var migrations = [Schema - 1]migration{
	// 2: what the adviser tells and remembers, and what it is told.
	func(tx *bolt.Tx) error {
		for _, k := range []Kind{Judged, Note, Input, Memory} {
			if _, err := tx.CreateBucket([]byte(bucketNames[k])); err != nil {
				return err
			}
		}
		return nil
	},
}

// migrate runs the steps that a file of schema from lacks.
func migrate(tx *bolt.Tx, from uint32, steps []migration) (uint32, error) {
	newest := uint32(len(steps) + 1)
	if from > newest {
		return from, &problem.Problem{
			What: fmt.Sprintf("the store has schema %d, this program knows up to %d", from, newest),
			Try:  "use the newer program that wrote it, or move the file away to start a new one",
		}
	}
	if from == 0 {
		return 0, fmt.Errorf("%w: schema 0", ErrDamaged)
	}
	for n := from; n < newest; n++ {
		if err := steps[n-1](tx); err != nil {
			return from, fmt.Errorf("store: migrate from schema %d: %w", n, err)
		}
	}
	return newest, nil
}
