package history

import (
	"fmt"
	"iter"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/store"
)

// Record is the record of a block, ready for the store. At is that of its first
// row.
func Record(at signal.Instant, block []byte) store.Record {
	return store.Record{Kind: store.History, Phase: detect.Ended, At: at, Payload: block}
}

// Span says which rows are read.
type Span struct {
	// From and Before bound the keys of the records. A zero Before is no bound.
	From, Before store.Key
	// Shift is the number of the one shift that is wanted; 0 is all.
	Shift uint32
}

// chunk is how many blocks one read transaction takes: half an hour.
const chunk = 16

// Rows goes through rows in the order in which they were written, a few blocks in
// memory at a time. A row is valid until the next. What cannot be read comes as
// an error, and the rows behind it follow if the caller goes on.
func Rows(s *store.Store, span Span) iter.Seq2[*Row, error] {
	return func(yield func(*Row, error) bool) {
		var d Decoder
		for from := span.From; ; {
			records, next, err := s.Read(store.History, from, chunk)
			if err != nil {
				yield(nil, err)
				return
			}
			for i := range records {
				if k := records[i].Key; !span.Before.IsZero() && !k.Less(span.Before) {
					return
				}
				if !d.rowsOf(&records[i], span.Shift, yield) {
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

func (d *Decoder) rowsOf(r *store.Record, shift uint32, yield func(*Row, error) bool) bool {
	if err := d.Decode(r.Payload); err != nil {
		return yield(nil, fmt.Errorf("record %s: %w", r.Key, err))
	}
	if shift != 0 && d.shift != shift {
		return true
	}
	for i := range d.rows {
		d.all[i].Boot = r.Key.Boot
		if !yield(&d.all[i], nil) {
			return false
		}
	}
	return true
}
