package store

import (
	"encoding/binary"
	"fmt"

	"chaffinch/canbus/signal"

	bolt "go.etcd.io/bbolt"
)

// Message waits to be sent: a record, or word of messages that were dropped.
type Message struct {
	Key    Key // of the record, or of the first message dropped; OutboxDone takes it
	Record Record
	Gap    *Gap // nil for a record

	store *Store // that it came from
}

// Gap says that messages were dropped from the outbox because it was full or
// they were old. The records themselves stay.
type Gap struct {
	Dropped         uint64
	First, Last     Key
	FirstAt, LastAt signal.Instant // of the boots of First and Last
}

// entry is an outbox entry: what must be known to drop a message.
type entry struct {
	key    Key
	record Record // without payload
	gap    *Gap
}

// name is the same for all messages of one event.
func (e *entry) name() string { return string(rune(e.record.Kind)) + e.record.ID }

// payload of an outbox entry: the record's kind, then its header.
func outboxPayload(r *Record) []byte {
	return r.header([]byte{byte(r.Kind)})
}

func (g *Gap) encode() []byte {
	b := binary.BigEndian.AppendUint64(nil, g.Dropped)
	b = g.Last.append(g.First.append(b))
	return appendInstant(appendInstant(b, g.FirstAt), g.LastAt)
}

const gapSize = 8 + 2*keySize + 2*8

func decodeEntry(key, value []byte) (entry, error) {
	k, ok := parseKey(key)
	t, p, err := unseal(key, value)
	if !ok || err != nil {
		return entry{}, errEnvelope
	}
	switch {
	case t == typeGap && len(p) == gapSize:
		g := &Gap{Dropped: binary.BigEndian.Uint64(p)}
		g.First, _ = parseKey(p[8:20])
		g.Last, _ = parseKey(p[20:32])
		g.FirstAt, g.LastAt = parseInstant(p[32:]), parseInstant(p[40:])
		return entry{key: k, gap: g}, nil
	case t == typeOutbox && len(p) > 0 && Kind(p[0]) < kindCount:
		if r, _, ok := parseHeader(p[1:]); ok {
			r.Key, r.Kind = k, Kind(p[0])
			return entry{key: k, record: r}, nil
		}
	}
	return entry{}, errEnvelope
}

// OutboxNext returns at most limit messages that are not sent, oldest first.
// It goes on from what OutboxDone was told, not from what it returned before.
// A message may come twice, after a crash; its key tells.
func (s *Store) OutboxNext(limit int) ([]Message, error) {
	s.shared.Lock()
	from := s.done.next()
	if s.done.IsZero() {
		from = s.state.Sent.next()
	}
	s.shared.Unlock()
	if limit <= 0 || limit > readChunk {
		limit = readChunk
	}
	s.outbox.Lock()
	defer s.outbox.Unlock()
	var all []Message
	err := s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket([]byte(bucketNames[outboxBucket])).Cursor()
		for key, value := c.Seek(from.bytes()); key != nil && len(all) < limit; key, value = c.Next() {
			e, err := decodeEntry(key, value)
			if err != nil {
				s.bad.Add(1)
				continue
			}
			if e.gap != nil {
				all = append(all, Message{e.key, Record{}, e.gap, s})
			} else if r, ok := s.lookUp(tx, e.record.Kind, key); ok {
				all = append(all, Message{e.key, r, nil, s})
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("store: read outbox: %w", err)
	}
	if n := len(all); n > 0 && s.handed.Less(all[n-1].Key) {
		s.handed = all[n-1].Key
	}
	return all, nil
}

// OutboxDone says that all messages up to key have arrived. It is kept in
// memory until StoreSent: after a crash the messages since then come again.
func (s *Store) OutboxDone(key Key) {
	s.shared.Lock()
	defer s.shared.Unlock()
	if s.done.Less(key) {
		s.done = key
	}
}

// OutboxWaiting is the number of messages that are not known to have arrived.
func (s *Store) OutboxWaiting() uint64 { return s.snapshot().Counts[outboxBucket] }

// sentStep is how many entries StoreSent deletes in a commit at most.
const sentStep = 100

// StoreSent writes down how far the outbox was sent, and deletes the entries
// up to there, at most a hundred in one call; more tells whether some are left.
func (s *Store) StoreSent() (more bool, err error) {
	err = s.transact(reserveBytes, func(e *edit) (err error) {
		more, err = s.storeSent(e)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("store: write down what is sent: %w", err)
	}
	return more, nil
}

func (s *Store) storeSent(e *edit) (more bool, err error) {
	s.shared.Lock()
	done := s.done
	s.shared.Unlock()
	before := e.st.Sent
	if before.Less(done) {
		e.st.Sent = done
	}
	unchanged := e.st.Sent == before
	limit := string(e.st.Sent.bytes())
	var keys [][]byte
	c := e.bucket(outboxBucket).Cursor()
	for key, _ := c.First(); key != nil && string(key) <= limit && len(keys) < sentStep; key, _ = c.Next() {
		keys = append(keys, append([]byte(nil), key...))
	}
	if unchanged && len(keys) == 0 {
		return false, errUnchanged
	}
	return len(keys) == sentStep, e.deleteAll(outboxBucket, keys)
}

// deleteAll deletes by key, not by a cursor: a cursor that deletes passes over
// the key after it.
func (e *edit) deleteAll(bucket int, keys [][]byte) error {
	for _, key := range keys {
		if err := e.delete(bucket, key); err != nil {
			return err
		}
	}
	return nil
}
