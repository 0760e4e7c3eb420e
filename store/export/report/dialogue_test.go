package report

import (
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/shift"
)

// Who adds up the lines of the time and looks at first and last work finds a
// difference: it is explained where it shows.
func TestTimeThatWasNotHeardIsTold(t *testing.T) {
	for _, c := range []struct {
		s    float64
		want bool
	}{{1140, true}, {3, false}} {
		var out strings.Builder
		r := report{Shift: &shift.Summary{}}
		r.Shift.Total.Times.UnheardS = c.s
		if err := page.Execute(&out, &r); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(out.String(), "For another 0:19 h of the shift nothing was heard"); got != c.want {
			t.Errorf("%g s that were not heard: told %v", c.s, got)
		}
	}
}

// A gallon an acre is not called fuel on a hectare.
func TestFuelIsOnWhatItsUnitSays(t *testing.T) {
	some := &shift.Amount{Value: 1}
	for units, not := range map[signal.System][]string{signal.US: {"hectare", "tonne"}, signal.Metric: {"acre", "on a ton<"}} {
		var out strings.Builder
		r := report{Style: Style{Units: units}, Shift: &shift.Summary{Total: shift.Totals{LPerHa: some, LPerT: some}}}
		r.Shift.Fields = []shift.Field{{}, {}}
		r.figures()
		if err := page.Execute(&out, &r); err != nil {
			t.Fatal(err)
		}
		for _, word := range not {
			if strings.Contains(out.String(), word) {
				t.Errorf("%s units have %q in them", units, word)
			}
		}
	}
}

// Times are the reader's, with the name of his zone; of a day that he has, too.
func TestTheTimesOfTheReader(t *testing.T) {
	at := time.Date(2026, 7, 31, 22, 30, 0, 0, time.UTC)
	for _, c := range []struct{ zone, clock, day, name string }{
		{"UTC", "22:30", "Friday, 31 July 2026", "UTC"},
		{"Europe/Prague", "00:30", "Saturday, 1 August 2026", "CEST (UTC+2)"},
		{"America/Chicago", "17:30", "Friday, 31 July 2026", "CDT (UTC-5)"},
		{"Asia/Kathmandu", "04:15", "Saturday, 1 August 2026", "UTC+5:45"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		s := Style{Zone: zone}
		if s.clock(&at) != c.clock || s.day(at) != c.day || s.zone(at) != c.name {
			t.Errorf("%s: %s, %s, %s", c.zone, s.clock(&at), s.day(at), s.zone(at))
		}
	}
	if got := (Style{}).clock(&at); got != "22:30" {
		t.Errorf("without a zone: %s", got)
	}
}
