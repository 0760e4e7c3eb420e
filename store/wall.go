package store

import (
	"fmt"
	"sort"
	"time"

	"chaffinch/canbus/signal"

	bolt "go.etcd.io/bbolt"
)

// Source is where a date came from, from the least to the most trusted.
type Source uint8

const (
	UnsetClock  Source = iota // the board's clock before it was set: it cannot be trusted
	SystemClock               // the board's clock, set over the network
	BusTime                   // J1939 time and date
	GNSSTime
)

var sourceNames = [...]string{"unset", "system", "bus", "gnss"}

// String is the word for the source in exports.
func (s Source) String() string {
	if int(s) < len(sourceNames) {
		return sourceNames[s]
	}
	return "invalid"
}

// Wall says that at the event time At of a boot the calendar showed Time.
type Wall struct {
	Boot   uint32 // of the keys; set by AppendWall
	At     signal.Instant
	Time   time.Time
	Source Source
}

// AppendWall keeps how event time and calendar time of this boot belong
// together. It is called at the start, when the clock is set or jumps, and
// when a better source is heard. Where event time and calendar time part, it is
// told of both sides.
func (s *Store) AppendWall(all ...Wall) error {
	return s.transact(0, func(e *edit) error {
		for _, w := range all {
			s.seq++
			e.st.Sequence = s.seq
			key := Key{e.st.Boot, s.seq}.bytes()
			p := appendInstant(nil, w.At)
			p = appendInstant(p, signal.Instant(w.Time.UnixNano()))
			p = append(p, byte(w.Source))
			if err := e.put(wallBucket, key, seal(key, typeWall, p)); err != nil {
				return err
			}
		}
		return nil
	})
}

func decodeWall(key, value []byte) (Wall, bool) {
	k, ok := parseKey(key)
	t, p, err := unseal(key, value)
	if !ok || err != nil || t != typeWall || len(p) != 17 {
		return Wall{}, false
	}
	return Wall{k.Boot, parseInstant(p), time.Unix(0, int64(parseInstant(p[8:]))).UTC(), Source(p[16])}, true
}

// Dates tells calendar dates of event times.
type Dates struct{ byBoot map[uint32][]Wall }

// Dates reads the wall records. What was written before the clock was set gets
// its date from what is known now.
func (s *Store) Dates() (Dates, error) {
	var d Dates
	err := s.view(func(tx *bolt.Tx) (err error) {
		d = s.dates(tx)
		return nil
	})
	if err != nil {
		return Dates{}, fmt.Errorf("store: read wall records: %w", err)
	}
	return d, nil
}

func (s *Store) dates(tx *bolt.Tx) Dates {
	d := Dates{make(map[uint32][]Wall)}
	c := tx.Bucket([]byte(bucketNames[wallBucket])).Cursor()
	for key, value := c.First(); key != nil; key, value = c.Next() {
		if w, ok := decodeWall(key, value); ok {
			d.byBoot[w.Boot] = append(d.byBoot[w.Boot], w)
		} else {
			s.bad.Add(1)
		}
	}
	for _, walls := range d.byBoot {
		sort.SliceStable(walls, func(i, j int) bool { return walls[i].Source > walls[j].Source })
	}
	return d
}

// Date is the calendar time of an event time of a boot, by the wall record
// nearest to it among those of the best source. ok is false when the boot has
// none. A date from an UnsetClock is no more than a guess.
func (d Dates) Date(boot uint32, at signal.Instant) (date time.Time, source Source, ok bool) {
	walls := d.byBoot[boot]
	if len(walls) == 0 {
		return time.Time{}, 0, false
	}
	best := walls[0]
	for _, w := range walls[1:] {
		if w.Source == best.Source && at.Sub(w.At).Abs() < at.Sub(best.At).Abs() {
			best = w
		}
	}
	return best.Time.Add(at.Sub(best.At)), best.Source, true
}

// begunBefore is the newest boot that is known to have begun before a date, or 0.
// Those before it are older, whatever their own clocks say.
func (d Dates) begunBefore(date time.Time) (boot uint32) {
	for b := range d.byBoot {
		if t, source, ok := d.Date(b, 0); ok && source != UnsetClock && t.Before(date) {
			boot = max(boot, b)
		}
	}
	return boot
}
