package store

import (
	"fmt"
	"iter"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// readChunk is the most records that one read transaction takes. A long one
// would keep the pages of all commits meanwhile from being used again.
const readChunk = 500

// Read returns at most limit records of a kind, from key on, in the order in
// which they were written, and the key to go on from, zero when there are no
// more. A limit of 0 or more than 500 means 500. Records whose checksum is
// wrong are passed over and counted.
func (s *Store) Read(k Kind, from Key, limit int) (records []Record, next Key, err error) {
	if limit <= 0 || limit > readChunk {
		limit = readChunk
	}
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketNames[k]))
		if b == nil {
			return nil // read-only, of a schema that had not this kind
		}
		c := b.Cursor()
		key, value := c.Seek(from.bytes())
		for n := 0; key != nil; n++ {
			if n == limit {
				next, _ = parseKey(key)
				return nil
			}
			if r, err := decodeRecord(key, value); err == nil {
				records = append(records, r)
			} else {
				s.bad.Add(1)
			}
			key, value = c.Next()
		}
		return nil
	})
	if err != nil {
		return nil, Key{}, fmt.Errorf("store: read %s records: %w", k, err)
	}
	return records, next, nil
}

// Newest returns the newest records of a kind, at most limit and 500, in the
// order in which they were written.
func (s *Store) Newest(k Kind, limit int) (records []Record, err error) {
	limit = min(limit, readChunk)
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketNames[k]))
		if b == nil {
			return nil // read-only, of a schema that had not this kind
		}
		c := b.Cursor()
		for key, value := c.Last(); key != nil && len(records) < limit; key, value = c.Prev() {
			if r, err := decodeRecord(key, value); err == nil {
				records = append(records, r)
			} else {
				s.bad.Add(1)
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("store: read %s records: %w", k, err)
	}
	slices.Reverse(records)
	return records, nil
}

// All goes through the records of a kind from key on, in short transactions,
// so that it may take its time. It ends at the first error.
func (s *Store) All(k Kind, from Key) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		for {
			records, next, err := s.Read(k, from, readChunk)
			if err != nil {
				yield(Record{}, err)
				return
			}
			for _, r := range records {
				if !yield(r, nil) {
					return
				}
			}
			if next.IsZero() {
				return
			}
			from = next
		}
	}
}

// Latest returns the last record of each id of a kind, among those from key
// on, in the order in which the ids first appeared.
func (s *Store) Latest(k Kind, from Key) ([]Record, error) {
	var all []Record
	at := make(map[string]int)
	for r, err := range s.All(k, from) {
		if err != nil {
			return nil, err
		}
		if i, ok := at[r.ID]; ok {
			all[i] = r
			continue
		}
		at[r.ID] = len(all)
		all = append(all, r)
	}
	return all, nil
}
