package phone

import (
	"context"
	"fmt"
	"hash/crc32"
	"io"
	"time"

	"chaffinch/store"
	"chaffinch/store/export"
)

// mostShifts is how many shifts are offered, the newest; the store has all.
const mostShifts = 20

// Exports lists the exports of the newest shifts as downloads, newest first, in
// forms. Stored gives the store, or nil while there is none; version is the
// program's, as another one may write other bytes. Dates of shifts are those of zone.
func Exports(stored func() *store.Store, version string, zone *time.Location, forms []export.Format) func() []Download {
	return func() (all []Download) {
		s := stored()
		if s == nil {
			return nil
		}
		known, err := export.Of(s)
		if err != nil {
			return nil // the page says that the store is not well
		}
		shifts := known.Shifts()
		for i := len(shifts) - 1; i >= max(0, len(shifts)-mostShifts); i-- {
			one := &shifts[i]
			part := export.Part{Shift: one.Number}
			tag := known.Tag(part, version)
			for _, f := range forms {
				d := Download{
					Name: fmt.Sprintf("shift-%d%s", one.Number, f.Tail), Words: f.Words, Group: groupOf(known, one, zone), Type: f.Type, Zipped: f.Zipped,
					Write: func(ctx context.Context, w io.Writer) error { return f.Write(ctx, w, known, part) },
				}
				if tag != "" {
					d.Tag = tag + "-" + f.Name
					if f.Style != "" {
						d.Tag += fmt.Sprintf("-%08x", crc32.ChecksumIEEE([]byte(f.Style)))
					}
				}
				all = append(all, d)
			}
		}
		return all
	}
}

// groupOf is a shift in words.
func groupOf(s *export.Source, one *export.Shift, zone *time.Location) string {
	sum := &one.Told.Shift
	words := fmt.Sprintf("Shift %d", one.Number)
	if t, ok := s.DateOf(sum.Began); ok {
		words += t.In(zone).Format(", 2 January 2006")
	}
	if sum.Crop != "" {
		words += ", " + sum.Crop
	}
	if !one.Over() {
		words += ", so far"
	}
	return words
}
