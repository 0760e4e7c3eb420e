package store

import (
	"errors"
	"fmt"
	"io"
	"runtime/debug"

	bolt "go.etcd.io/bbolt"
)

// CheckFile looks whether the store at path is whole: that the pages can be
// followed, bbolt's own check of them, the set of buckets, the checksum of
// every value, and the number of records in each bucket. It changes nothing. It
// returns ErrDamaged with the first fault, ErrInUse, or an error of the file
// system.
//
// A damaged file can end the process that reads it, whatever that process does
// about it. It is called in a child: see CheckCommand.
func CheckFile(path string) error {
	s, err := Open(path, Options{ReadOnly: true, treeFirst: true})
	if err != nil {
		return err
	}
	if err := s.view(s.check); err != nil {
		s.release()
		return fmt.Errorf("store: check %s: %w", path, err)
	}
	return s.Close()
}

func (s *Store) check(tx *bolt.Tx) error {
	var first error
	for err := range tx.Check() {
		if first == nil {
			first = fmt.Errorf("%w: %w", ErrDamaged, err)
		}
	}
	if first != nil {
		return first
	}
	if s.state.Schema > Schema {
		_, err := migrate(tx, s.state.Schema, migrations[:])
		return err
	}
	buckets := 0
	err := tx.ForEach(func([]byte, *bolt.Bucket) error {
		buckets++
		return nil
	})
	if err != nil {
		return err
	}
	kinds := kindsOf(s.state.Schema)
	if buckets != kinds+others+1 {
		return fmt.Errorf("%w: %d buckets", ErrDamaged, buckets)
	}
	for i, name := range bucketNames {
		if i >= kinds && i < int(kindCount) {
			continue // a kind that came with a later schema
		}
		b := tx.Bucket([]byte(name))
		if b == nil {
			return fmt.Errorf("%w: no bucket %s", ErrDamaged, name)
		}
		if err := checkBucket(b, i, s.state.Counts[i]); err != nil {
			return err
		}
	}
	return nil
}

func checkBucket(b *bolt.Bucket, i int, want uint64) error {
	var n uint64
	err := b.ForEach(func(key, value []byte) error {
		n++
		if err := checkValue(i, key, value); err != nil {
			return fmt.Errorf("%w: bucket %s, key %x: %w", ErrDamaged, bucketNames[i], key, err)
		}
		return nil
	})
	if err == nil && n != want {
		return fmt.Errorf("%w: bucket %s holds %d records, should be %d", ErrDamaged, bucketNames[i], n, want)
	}
	return err
}

func checkValue(i int, key, value []byte) error {
	var ok bool
	switch i {
	case wallBucket:
		_, ok = decodeWall(key, value)
	case outboxBucket:
		_, err := decodeEntry(key, value)
		return err
	case activeBucket:
		t, p, err := unseal(key, value)
		ok = err == nil && t == typeActive && len(p) == keySize
	default:
		r, err := decodeRecord(key, value)
		ok = err == nil && int(r.Kind) == i
	}
	if !ok {
		return errEnvelope
	}
	return nil
}

// What the verb check-store exits with.
const (
	ExitGood      = 0
	ExitNotJudged = 1 // the file could not be looked at
	ExitDamaged   = 3
)

// checkBanner is the first line that the child prints. It tells a child that
// died while it looked at the file from one that never came to it: both may
// exit with 2.
const checkBanner = "store: looking"

// maxStack ends a walk through pages that lead in a circle.
const maxStack = 16 << 20

// CheckCommand is the verb "check-store PATH". It returns the exit code.
func CheckCommand(out io.Writer, path string) int {
	debug.SetMaxStack(maxStack)
	fmt.Fprintln(out, checkBanner)
	return finish(out, CheckFile(path), "good")
}

// SalvageCommand is the verb "check-store --salvage SOURCE TARGET". It returns
// the exit code.
func SalvageCommand(out io.Writer, source, target string) int {
	fmt.Fprintln(out, checkBanner)
	kept, err := Salvage(source, target)
	return finish(out, err, fmt.Sprintf("%s%d", keptPrefix, kept))
}

const keptPrefix = "records kept: "

func finish(out io.Writer, err error, good string) int {
	switch {
	case err == nil:
		fmt.Fprintln(out, good)
		return ExitGood
	case errors.Is(err, ErrDamaged):
		fmt.Fprintln(out, err)
		return ExitDamaged
	}
	fmt.Fprintln(out, err)
	return ExitNotJudged
}
