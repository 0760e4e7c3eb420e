package store

import (
	"fmt"
	"time"

	"chaffinch/detect"

	bolt "go.etcd.io/bbolt"
)

// trimStep is how many records one commit deletes at most. Deleting in bulk
// leaves a long list of free pages, which each small commit then writes again.
const trimStep = 64

// TrimOutbox drops messages that are older than OutboxFor, and when more than
// OutboxMax wait, the oldest of the lowest priority until a twentieth is free.
// Messages of active events stay, and so do those that were handed to the
// sender. What is dropped is told in a Gap. One call deletes at most 64; it is
// called again until it returns 0.
func (s *Store) TrimOutbox() (dropped int, err error) {
	s.outbox.Lock()
	defer s.outbox.Unlock()
	err = s.transact(reserveBytes, func(e *edit) error {
		victims, err := s.outboxVictims(e)
		dropped = len(victims)
		s.making = dropped == trimStep
		if err != nil {
			return err
		}
		if dropped == 0 {
			return errUnchanged
		}
		return s.dropMessages(e, victims)
	})
	if err != nil {
		return 0, fmt.Errorf("store: trim outbox: %w", err)
	}
	return dropped, nil
}

// OutboxOver tells whether more messages wait than may.
func (s *Store) OutboxOver() bool { return s.OutboxWaiting() > uint64(s.opts.OutboxMax) }

func (s *Store) outboxVictims(e *edit) ([]entry, error) {
	var (
		all      []entry
		priority = make(map[string]detect.Priority) // the highest that each id has had
	)
	c := e.bucket(outboxBucket).Cursor()
	for key, value := c.Seek(s.firstDroppable(e).bytes()); key != nil; key, value = c.Next() {
		x, err := decodeEntry(key, value)
		if err != nil {
			s.bad.Add(1)
			continue
		}
		if x.gap == nil && !e.isActive(&x.record) {
			all = append(all, x)
			priority[x.name()] = max(priority[x.name()], x.record.Priority)
		}
	}
	now, dates := s.clock(e.tx)
	limit, excess := s.opts.OutboxMax, 0
	if wait := e.st.Counts[outboxBucket]; wait > uint64(limit) || s.making && wait > uint64(limit*19/20) {
		excess = int(wait) - limit*19/20
	}
	var victims []entry
	for p := detect.Low; p <= detect.High; p++ {
		for _, x := range all {
			if len(victims) == trimStep {
				return victims, nil
			}
			if min(priority[x.name()], detect.High) != p {
				continue
			}
			if len(victims) < excess || isOlder(dates, x.key.Boot, &x.record, now, s.opts.OutboxFor) {
				victims = append(victims, x)
			}
		}
	}
	return victims, nil
}

// firstDroppable is after all that is sent, or with the sender.
func (s *Store) firstDroppable(e *edit) Key {
	s.shared.Lock()
	defer s.shared.Unlock()
	last := e.st.Sent
	for _, k := range []Key{s.done, s.handed} {
		if last.Less(k) {
			last = k
		}
	}
	return last.next()
}

// dropMessages deletes outbox entries and puts a gap in place of the first; a
// gap that waits already grows instead.
func (s *Store) dropMessages(e *edit, victims []entry) error {
	gap, at := s.waitingGap(e)
	if gap == nil {
		gap = &Gap{First: victims[0].key, Last: victims[0].key, FirstAt: victims[0].record.At, LastAt: victims[0].record.At}
	} else if err := e.delete(outboxBucket, at.bytes()); err != nil {
		return err
	}
	for _, x := range victims {
		if err := e.delete(outboxBucket, x.key.bytes()); err != nil {
			return err
		}
		gap.Dropped++
		e.dropped++
		if x.key.Less(gap.First) {
			gap.First, gap.FirstAt = x.key, x.record.At
		}
		if gap.Last.Less(x.key) {
			gap.Last, gap.LastAt = x.key, x.record.At
		}
	}
	key := gap.First.bytes()
	return e.put(outboxBucket, key, seal(key, typeGap, gap.encode()))
}

// waitingGap is the gap entry that is not with the sender yet, if there is one.
func (s *Store) waitingGap(e *edit) (*Gap, Key) {
	c := e.bucket(outboxBucket).Cursor()
	for key, value := c.Seek(s.firstDroppable(e).bytes()); key != nil; key, value = c.Next() {
		if x, err := decodeEntry(key, value); err == nil && x.gap != nil {
			return x.gap, x.key
		}
	}
	return nil, Key{}
}

func (e *edit) isActive(r *Record) bool {
	return r.Kind == Event && e.bucket(activeBucket).Get([]byte(r.ID)) != nil
}

// clock is the calendar time and the dates, or a zero time when the clock
// cannot be trusted: then nothing is old.
func (s *Store) clock(tx *bolt.Tx) (now time.Time, d Dates) {
	now, trusted := s.opts.Wall()
	if !trusted {
		return time.Time{}, d
	}
	return now, s.dates(tx)
}

func isOlder(d Dates, boot uint32, r *Record, now time.Time, age time.Duration) bool {
	if now.IsZero() || age <= 0 {
		return false
	}
	date, source, ok := d.Date(boot, r.At)
	return ok && source != UnsetClock && now.Sub(date) > age
}

// givingUp is the order in which kinds go when the store is full. Memories are
// few and stay.
var givingUp = [...]Kind{History, Shift, Input, Prompt, Note, Judged, Check, Pool, Event}

// Crowded tells whether the store is so full that Trim would make room.
func (s *Store) Crowded() bool { return s.Used() > s.opts.MaxBytes/10*9 }

// Trim deletes the oldest records: those older than KeepFor but for pools, and when the
// store is over nine tenths of MaxBytes, the oldest history, then shifts, inputs,
// prompts, notes, verdicts, checks and pools, and events last. When the disk is full while the store
// is not, diskFull lets history go. The records of active events stay. One call deletes
// at most 64; it is called again until it returns 0.
func (s *Store) Trim(diskFull bool) (deleted int, err error) {
	crowded := s.Crowded()
	s.outbox.Lock()
	defer s.outbox.Unlock()
	err = s.transact(reserveBytes, func(e *edit) error {
		now, dates := s.clock(e.tx)
		aged := uint32(0)
		if !now.IsZero() && s.opts.KeepFor > 0 {
			aged = dates.begunBefore(now.Add(-s.opts.KeepFor))
		}
		for _, k := range givingUp {
			old := func(r *Record) bool {
				return crowded || diskFull && k == History || k != Pool && (r.Key.Boot < aged || isOlder(dates, r.Key.Boot, r, now, s.opts.KeepFor))
			}
			n, err := s.trimKind(e, k, old)
			if err != nil {
				return err
			}
			if deleted = n; n > 0 {
				return nil
			}
		}
		if deleted, err = s.trimWalls(e); err == nil && deleted == 0 {
			return errUnchanged
		}
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("store: trim: %w", err)
	}
	return deleted, nil
}

// trimKind deletes records from the oldest on as long as they are old.
func (s *Store) trimKind(e *edit, k Kind, old func(*Record) bool) (int, error) {
	var (
		keys   [][]byte
		unsent []entry
		first  = s.firstDroppable(e)
		outbox = e.bucket(outboxBucket)
	)
	c := e.bucket(int(k)).Cursor()
	for key, value := c.First(); key != nil && len(keys) < trimStep; key, value = c.Next() {
		r, err := decodeRecord(key, value)
		if err == nil {
			if !old(&r) {
				break
			}
			if e.isActive(&r) {
				continue
			}
			if waits(outbox, key) && !r.Key.Less(first) {
				unsent = append(unsent, entry{key: r.Key, record: r})
			}
		}
		keys = append(keys, append([]byte(nil), key...)) // also one that cannot be read
	}
	if len(unsent) > 0 {
		if err := s.dropMessages(e, unsent); err != nil {
			return 0, err
		}
	}
	return len(keys), e.deleteAll(int(k), keys)
}

// waits tells whether a record's message is in the outbox. In the place of one that
// was dropped there may be a gap.
func waits(outbox *bolt.Bucket, key []byte) bool {
	value := outbox.Get(key)
	if value == nil {
		return false
	}
	x, err := decodeEntry(key, value)
	return err != nil || x.gap == nil
}

// trimWalls deletes the wall records of boots of which nothing is left.
func (s *Store) trimWalls(e *edit) (int, error) {
	oldest := Key{Boot: e.st.Boot}
	for k := range kindCount {
		key, _ := e.bucket(int(k)).Cursor().First()
		if first, ok := parseKey(key); ok && first.Less(oldest) {
			oldest = Key{Boot: first.Boot}
		}
	}
	var keys [][]byte
	c := e.bucket(wallBucket).Cursor()
	for key, _ := c.First(); key != nil && string(key) < string(oldest.bytes()) && len(keys) < trimStep; key, _ = c.Next() {
		keys = append(keys, append([]byte(nil), key...))
	}
	return len(keys), e.deleteAll(wallBucket, keys)
}
