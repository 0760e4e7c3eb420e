package store

import (
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// Append writes the records, and the outbox entries of those to be sent, in
// one transaction, and gives each record its Key. When it returns nil all of
// it is on the disk, else none of it is promised to be; the same records may
// be given again, and stand then under the same keys.
func (s *Store) Append(records []Record) error {
	for i := range records {
		if err := records[i].check(); err != nil {
			return err
		}
	}
	return s.transact(0, func(e *edit) error {
		for i := range records {
			r := &records[i]
			if r.Key.Boot != e.st.Boot || r.Key.Seq > s.seq {
				s.seq++
				r.Key = Key{e.st.Boot, s.seq}
			}
			if err := e.append(r, r.Send); err != nil {
				return err
			}
		}
		e.st.Sequence = max(e.st.Sequence, s.seq)
		return nil
	})
}

// append puts a record in; queue says whether it is still to be sent.
func (e *edit) append(r *Record, queue bool) error {
	key := r.Key.bytes()
	if err := e.put(int(r.Kind), key, seal(key, typeRecord+valueType(r.Kind), r.encode())); err != nil {
		return err
	}
	if queue {
		if err := e.put(outboxBucket, key, seal(key, typeOutbox, outboxPayload(r))); err != nil {
			return err
		}
	}
	if r.Kind.onlyNewest() {
		return e.onlyNewest(r)
	}
	if r.Kind != Event {
		return nil
	}
	id := []byte(r.ID)
	if !r.active() {
		return e.delete(activeBucket, id)
	}
	return e.put(activeBucket, id, seal(id, typeActive, key))
}

// Active returns the last record of each event that is not ended, in the order
// of their ids. After a start it holds what the process before left open.
func (s *Store) Active() ([]Record, error) {
	var all []Record
	err := s.view(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte(bucketNames[activeBucket])).ForEach(func(id, value []byte) error {
			_, key, err := unseal(id, value)
			if err != nil {
				s.bad.Add(1)
				return nil
			}
			if r, ok := s.lookUp(tx, Event, key); ok {
				all = append(all, r)
			}
			return nil
		})
	})
	if err != nil {
		return nil, fmt.Errorf("store: read active events: %w", err)
	}
	return all, nil
}

// lookUp returns the record under key, if it is there and whole.
func (s *Store) lookUp(tx *bolt.Tx, k Kind, key []byte) (Record, bool) {
	value := tx.Bucket([]byte(bucketNames[k])).Get(key)
	if value == nil {
		return Record{}, false
	}
	r, err := decodeRecord(key, value)
	if err != nil {
		s.bad.Add(1)
		return Record{}, false
	}
	return r, true
}
