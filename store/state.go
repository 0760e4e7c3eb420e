package store

import (
	"encoding/json"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// Schema is the version of the file's layout that this code writes.
const Schema = 2

// bucketCount is the number of buckets besides meta: the kinds and the three below.
const (
	wallBucket   = int(kindCount)
	outboxBucket = int(kindCount) + 1
	activeBucket = int(kindCount) + 2 // events that are not ended: id to last key
	others       = 3
	bucketCount  = int(kindCount) + others
)

var bucketNames = [bucketCount]string{"event", "prompt", "check", "shift", "pool", "history", "verdict", "note", "input", "memory", "wall", "outbox", "active"}

const metaBucket = "meta"

var stateKey = []byte("state")

// state is the one value of the meta bucket: how to read the rest. It is
// written anew in each transaction, which costs nothing: the page that it
// stands on is written anyway.
type state struct {
	Schema   uint32   `json:"schema"`
	ID       string   `json:"id"`      // random, made with the file; serves as this board's name
	Created  string   `json:"created"` // RFC 3339, by a clock that may have been wrong
	Boot     uint32   `json:"boot"`
	Sequence uint64   `json:"sequence"` // the last one given
	Sent     Key      `json:"sent"`     // the outbox was sent up to here
	Counts   []uint64 `json:"counts"`   // records in each bucket; finds a page that lost its tail
	Clean    bool     `json:"clean"`    // the last stop was clean; false while open
}

func readState(tx *bolt.Tx) (state, error) {
	b := tx.Bucket([]byte(metaBucket))
	if b == nil {
		return state{}, fmt.Errorf("%w: no bucket %s", ErrDamaged, metaBucket)
	}
	return decodeState(b.Get(stateKey))
}

func decodeState(value []byte) (st state, err error) {
	t, p, err := unseal(stateKey, value)
	if err != nil || t != typeState {
		return state{}, fmt.Errorf("%w: state: %w", ErrDamaged, errEnvelope)
	}
	if err := json.Unmarshal(p, &st); err != nil {
		return state{}, fmt.Errorf("%w: state: %w", ErrDamaged, err)
	}
	if st.Schema > Schema {
		return st, nil // not ours to read
	}
	kinds := kindsOf(st.Schema)
	if len(st.Counts) != kinds+others {
		return state{}, fmt.Errorf("%w: state: %d counts", ErrDamaged, len(st.Counts))
	}
	// Kinds that the schema had not stand empty between its own and the rest.
	st.Counts = slices.Insert(st.Counts, kinds, make([]uint64, int(kindCount)-kinds)...)
	return st, nil
}

// kindsOf is how many kinds, the first of today's, a schema has buckets for.
func kindsOf(schema uint32) int {
	if schema < 2 {
		return int(History) + 1
	}
	return int(kindCount)
}

func writeState(tx *bolt.Tx, st state) error {
	p, err := json.Marshal(st)
	if err != nil {
		return err
	}
	return tx.Bucket([]byte(metaBucket)).Put(stateKey, seal(stateKey, typeState, p))
}

// edit is a transaction and the state that it changes.
type edit struct {
	tx      *bolt.Tx
	st      state
	dropped uint64 // messages, from the outbox
}

// bucket is for appending: its keys grow, so its pages are filled.
func (e *edit) bucket(i int) *bolt.Bucket {
	b := e.tx.Bucket([]byte(bucketNames[i]))
	b.FillPercent = 0.95
	return b
}

// put keeps the count right also when the key is there already, as after a
// commit that failed in its last step and is tried again.
func (e *edit) put(i int, key, value []byte) error {
	b := e.bucket(i)
	if b.Get(key) == nil {
		e.st.Counts[i]++
	}
	return b.Put(key, value)
}

func (e *edit) delete(i int, key []byte) error {
	b := e.bucket(i)
	if b.Get(key) == nil {
		return nil
	}
	e.st.Counts[i]--
	return b.Delete(key)
}
