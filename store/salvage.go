package store

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"os"
	"slices"
	"time"
)

// Salvage makes a new store at target of what can be read in the damaged one
// at source, and returns how many records it kept. source is not changed.
//
// It does not follow the tree. It looks at every page of the file, and then for
// envelopes wherever they may stand, and keeps each record whose checksum is
// right. Records never change under their key, so a copy on a page of an earlier
// commit is as good as the last one: that brings back more than undoing the last
// commit would. Some records that Trim had deleted may come back; it deletes them again.
//
// What was still to be sent is worked out anew from the records and from how
// far the outbox was sent. Some messages may be sent twice.
func Salvage(source, target string) (kept int, err error) {
	f, err := os.Open(source)
	if err != nil {
		return 0, fmt.Errorf("store: salvage: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return 0, fmt.Errorf("store: salvage: %w", err)
	}
	found := find(f, info.Size())
	o := Options{MaxBytes: max(defaultMaxBytes, 2*info.Size())}.withDefaults()
	err = create(target, o, found.state, func(s *Store) error { return found.fill(s, f) })
	if err != nil {
		return 0, fmt.Errorf("store: salvage: %w", err)
	}
	if err := CheckFile(target); err != nil {
		os.Remove(target)
		return 0, fmt.Errorf("store: salvage: %w", err)
	}
	return len(found.refs), nil
}

// ref is where a record stands in the damaged file.
type ref struct {
	bucket int
	key    Key
	offset int64 // of the key
	size   int   // of the value
}

type findings struct {
	refs  []ref // by bucket and key, each key once
	state state
}

// sequenceMargin is left free after a salvage: the last records, which were
// perhaps sent, may be among those that are lost.
const sequenceMargin = 1000

func find(f *os.File, size int64) findings {
	var out findings
	st := &out.state
	take := func(key, value []byte, offset int64) {
		if bytes.Equal(key, stateKey) {
			if older, err := decodeState(value); err == nil {
				merge(st, older)
			}
			return
		}
		t, _, err := unseal(key, value)
		k, ok := parseKey(key)
		if err != nil || !ok {
			return
		}
		r := ref{key: k, offset: offset, size: len(value)}
		switch {
		case t == typeWall:
			r.bucket = wallBucket
		case t >= typeRecord && t < typeRecord+valueType(kindCount):
			r.bucket = int(t - typeRecord)
		default:
			return
		}
		out.refs = append(out.refs, r)
		st.Boot = max(st.Boot, k.Boot)
		st.Sequence = max(st.Sequence, k.Seq)
	}
	scanPages(f, size, take)
	scanEnvelopes(f, size, take)
	slices.SortFunc(out.refs, func(a, b ref) int {
		return cmp.Or(cmp.Compare(a.bucket, b.bucket), cmp.Compare(a.key.Boot, b.key.Boot), cmp.Compare(a.key.Seq, b.key.Seq))
	})
	out.refs = slices.CompactFunc(out.refs, func(a, b ref) bool { return a.bucket == b.bucket && a.key == b.key })
	if st.ID == "" {
		id := make([]byte, 8)
		rand.Read(id)
		st.ID, st.Created = hex.EncodeToString(id), time.Now().UTC().Format(time.RFC3339)
	}
	st.Schema = Schema
	st.Sequence += sequenceMargin
	return out
}

// merge keeps the most of what the states of several commits say.
func merge(st *state, other state) {
	if st.ID == "" {
		st.ID, st.Created = other.ID, other.Created
	}
	st.Boot = max(st.Boot, other.Boot)
	st.Sequence = max(st.Sequence, other.Sequence)
	if st.Sent.Less(other.Sent) {
		st.Sent = other.Sent
	}
}

// fillStep is how many records a transaction of the salvage holds.
const fillStep = 1000

func (found *findings) fill(s *Store, f *os.File) error {
	for part := range slices.Chunk(found.refs, fillStep) {
		err := s.transact(reserveBytes, func(e *edit) error {
			for _, r := range part {
				if err := found.put(e, r, f); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (found *findings) put(e *edit, r ref, f *os.File) error {
	b := make([]byte, keySize+r.size)
	if _, err := f.ReadAt(b, r.offset); err != nil {
		return err
	}
	key, value := b[:keySize], b[keySize:]
	if r.bucket == wallBucket {
		return e.put(wallBucket, key, value)
	}
	record, err := decodeRecord(key, value)
	if err != nil {
		return nil // the card gave other bytes this time
	}
	if err := e.append(&record, record.Send && found.state.Sent.Less(record.Key)); err != nil {
		return err
	}
	// The process after ends what a process left open, so only those of the
	// last boot can be active still.
	if record.active() && record.Key.Boot < found.state.Boot {
		return e.delete(activeBucket, []byte(record.ID))
	}
	return nil
}
