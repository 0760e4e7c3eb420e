package export

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"chaffinch/store"
)

// Tag names what there is of a shift that is over: while it is the same, so are
// the bytes of each export by the same version of the program. It is empty for a
// shift that goes on and for everything, which may grow, and for parts by date.
//
// A shift that is over changes in two ways only. Its oldest records may be deleted,
// so that the first key of each kind is in the tag. And its dates may become known,
// or better: dates follow the wall record nearest to them among those of the best
// source, and new ones are later than all of the shift, so that what changes any
// date of the shift changes that of its end.
func (s *Source) Tag(p Part, version string) string {
	one, err := s.Shift(p.Shift)
	if err != nil || !one.Over() || !p.From.IsZero() || !p.Before.IsZero() {
		return ""
	}
	h := sha256.New()
	fmt.Fprintln(h, version, s.StoreID(), p.Shift, one.First, one.End)
	for kind := store.Event; kind <= store.Memory; kind++ {
		if kind == store.Pool || kind == store.Memory {
			continue // the newest alone are kept, and no export has them
		}
		records, _, err := s.store.Read(kind, one.First, 1)
		if err != nil {
			return ""
		}
		if len(records) == 1 && !one.End.Less(records[0].Key) {
			fmt.Fprintln(h, kind, records[0].Key)
		}
	}
	for _, k := range []store.Key{one.First, one.End} {
		records, _, err := s.store.Read(store.Shift, k, 1)
		if err != nil || len(records) == 0 {
			return ""
		}
		t, from, _ := s.Date(uint64(k.Boot), records[0].At)
		fmt.Fprintln(h, t.UnixNano(), from)
	}
	return hex.EncodeToString(h.Sum(nil)[:12])
}
