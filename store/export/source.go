package export

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/shift"
	"chaffinch/internal/problem"
	"chaffinch/store"
	"chaffinch/store/history"
)

// Source reads a store for an export. It sees the shifts and the clocks as they
// were when it was made; make a new one for each export. It is meant for one
// goroutine.
type Source struct {
	store  *store.Store
	own    bool // to be closed
	dates  store.Dates
	shifts []Shift
	unread int
}

// Shift is a shift that the store knows of.
type Shift struct {
	history.Shift
	// First is the key of its first record, and End that of the record that ended
	// it; zero while it goes on, or when its end is lost.
	First, End store.Key
}

// Over tells whether the shift has ended and nothing of it can change.
func (s *Shift) Over() bool { return !s.End.IsZero() }

// Of reads a store that is open.
func Of(s *store.Store) (*Source, error) {
	dates, err := s.Dates()
	if err != nil {
		return nil, fmt.Errorf("export: %w", err)
	}
	src := &Source{store: s, dates: dates}
	known, err := history.Shifts(s)
	if err != nil && len(known) == 0 {
		return nil, fmt.Errorf("export: %w", err)
	}
	for _, one := range known {
		src.shifts = append(src.shifts, Shift{Shift: one, First: one.Span.From})
	}
	if err := src.findEnds(); err != nil {
		return nil, fmt.Errorf("export: %w", err)
	}
	return src, nil
}

// Open reads the store in a file that no daemon uses. Close it.
func Open(path string) (*Source, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, &problem.Problem{What: path + " is not there", Try: "give the store's file, [store] path in the configuration"}
	}
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if errors.Is(err, store.ErrInUse) {
		return nil, &problem.Problem{What: path + " is in use by the running program", Try: "fetch from it with --from, or stop it first"}
	}
	if err != nil {
		return nil, err
	}
	src, err := Of(s)
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	src.own = true
	return src, nil
}

// Unread counts what was passed over so far because it could not be read.
func (s *Source) Unread() int { return s.unread }

// Close closes the store if Open opened it.
func (s *Source) Close() error {
	if !s.own {
		return nil
	}
	return s.store.Close()
}

// findEnds finds the record that ended each shift: the last of its number behind its
// beginning.
func (s *Source) findEnds() error {
	for r, err := range s.store.All(store.Shift, store.Key{}) {
		if err != nil {
			return err
		}
		told, err := shift.Parse(r.Payload)
		if err != nil || told.Phase != shift.PhaseEnded {
			continue
		}
		for i := range s.shifts {
			if one := &s.shifts[i]; one.Number == told.Shift.Number && !r.Key.Less(one.First) {
				one.End = r.Key
			}
		}
	}
	return nil
}

// Shifts are those that the store knows of, oldest first.
func (s *Source) Shifts() []Shift { return s.shifts }

// Shift is the shift of a number.
func (s *Source) Shift(number uint32) (Shift, error) {
	for i := range s.shifts {
		if s.shifts[i].Number == number {
			return s.shifts[i], nil
		}
	}
	switch n := len(s.shifts); n {
	case 0:
		return Shift{}, &problem.Problem{What: "the store knows of no shift yet", Try: "leave the shift out to export everything"}
	case 1:
		return Shift{}, &problem.Problem{What: fmt.Sprintf("there is no shift %d", number), Try: fmt.Sprintf("there is shift %d alone", s.shifts[0].Number)}
	default:
		return Shift{}, &problem.Problem{What: fmt.Sprintf("there is no shift %d", number),
			Try: fmt.Sprintf("give one of %d to %d", s.shifts[0].Number, s.shifts[n-1].Number)}
	}
}

// StoreID names the store, and so the board.
func (s *Source) StoreID() string { return s.store.ID() }

// Date is the date of an instant of a run, and where it came from. It is false
// where no clock could be trusted.
func (s *Source) Date(boot uint64, at signal.Instant) (t time.Time, from store.Source, ok bool) {
	if boot > 1<<32-1 {
		return time.Time{}, store.UnsetClock, false
	}
	t, from, ok = s.dates.Date(uint32(boot), at)
	// RFC 3339 has four digits for the year.
	if y := t.UTC().Year(); !ok || from == store.UnsetClock || y < 1 || y > 9999 {
		return time.Time{}, store.UnsetClock, false
	}
	return t.UTC(), from, true
}

// DateOf is the date of a moment of a shift.
func (s *Source) DateOf(m shift.Moment) (time.Time, bool) {
	t, _, ok := s.Date(m.Boot, m.At)
	return t, ok
}
