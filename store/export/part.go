package export

import (
	"fmt"
	"iter"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/store"
	"chaffinch/store/history"
)

// Part says what of a store is wanted. The zero value is all of it.
type Part struct {
	// Shift is the number of a shift: from its first cut to the record that ended
	// it. 0 is everything, also what was between shifts.
	Shift uint32
	// From and Before bound it by date, if they are not zero; what has no date is
	// left out then.
	From, Before time.Time
}

// bounds are the first key of a part and the first behind it; zero is no bound.
func (s *Source) bounds(p Part) (from, before store.Key, err error) {
	if p.Shift == 0 {
		return store.Key{}, store.Key{}, nil
	}
	one, err := s.Shift(p.Shift)
	if err != nil {
		return store.Key{}, store.Key{}, err
	}
	before = one.Span.Before
	if one.Over() {
		before = store.Key{Boot: one.End.Boot, Seq: one.End.Seq + 1}
	}
	return one.First, before, nil
}

// holds tells whether an instant lies within the dates of a part.
func (s *Source) holds(p Part, boot uint32, at signal.Instant) bool {
	if p.From.IsZero() && p.Before.IsZero() {
		return true
	}
	t, _, ok := s.Date(uint64(boot), at)
	return ok && !t.Before(p.From) && (p.Before.IsZero() || t.Before(p.Before))
}

// Rows are those of a part, one a second, in the order in which they were
// written. A row is valid until the next. Blocks that cannot be read are passed
// over and counted in Unread; an error is the last that comes.
func (s *Source) Rows(p Part) iter.Seq2[*history.Row, error] {
	return func(yield func(*history.Row, error) bool) {
		from, before, err := s.bounds(p)
		if err != nil {
			yield(nil, err)
			return
		}
		for row, err := range history.Rows(s.store, history.Span{From: from, Before: before, Shift: p.Shift}) {
			if err != nil {
				if _, _, broken := s.store.Read(store.History, from, 1); broken != nil {
					yield(nil, fmt.Errorf("export: %w", err))
					return
				}
				s.unread++ // one block; the store itself can be read
				continue
			}
			if s.holds(p, row.Boot, row.At) && !yield(row, nil) {
				return
			}
		}
	}
}

// Record is a record as it was stored.
type Record struct {
	Kind store.Kind
	Key  store.Key
	ID   string
	At   signal.Instant // of the run Key.Boot
	// Date is that of At; zero if it is not known.
	Date    time.Time
	Clock   store.Source // where Date came from
	Payload []byte       // JSON, as it was published
}

// Records are those of a kind in a part, in the order in which they were written.
func (s *Source) Records(p Part, kind store.Kind) iter.Seq2[*Record, error] {
	return func(yield func(*Record, error) bool) {
		from, before, err := s.bounds(p)
		if err != nil {
			yield(nil, err)
			return
		}
		for r, err := range s.store.All(kind, from) {
			if err != nil {
				yield(nil, err)
				return
			}
			if !before.IsZero() && !r.Key.Less(before) {
				return
			}
			if !s.holds(p, r.Key.Boot, r.At) {
				continue
			}
			out := &Record{Kind: kind, Key: r.Key, ID: r.ID, At: r.At, Payload: r.Payload}
			out.Date, out.Clock, _ = s.Date(uint64(r.Key.Boot), r.At)
			if !yield(out, nil) {
				return
			}
		}
	}
}

// whole is the newest record of each id of a kind in a part, with the first one's
// place, in the order of the newest: so much of an id as is known.
func (s *Source) whole(p Part, kind store.Kind) iter.Seq2[place, error] {
	return func(yield func(place, error) bool) {
		type seen struct {
			first Record // without its payload
			last  store.Key
		}
		all := map[string]seen{}
		for r, err := range s.Records(p, kind) {
			if err != nil {
				yield(place{}, err)
				return
			}
			one, ok := all[r.ID]
			if !ok {
				one.first = *r
				one.first.Payload = nil
			}
			one.last = r.Key
			all[r.ID] = one
		}
		for r, err := range s.Records(p, kind) {
			if err != nil {
				yield(place{}, err)
				return
			}
			if one := all[r.ID]; one.last == r.Key && !yield(place{one.first, *r}, nil) {
				return
			}
		}
	}
}

// place is the first and the newest record of an id.
type place struct{ first, last Record }
