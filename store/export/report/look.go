package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"chaffinch/store/export"
)

// look lists what deserves a look before tomorrow.
func (r *report) look(d *traces) {
	for _, g := range d.sick {
		text := strings.TrimSuffix(g.text, ".")
		if _, address, ok := strings.Cut(g.subject, "@"); ok && g.kind == "fault-code" {
			text += " (address " + address + ")"
		}
		switch {
		case g.open && g.count > 1:
			text += fmt.Sprintf(" (%d times, and still so at the end)", g.count)
		case g.open:
			text += " (still so at the end)"
		case g.count > 1:
			text += fmt.Sprintf(" (%d times)", g.count)
		}
		r.Look = append(r.Look, text+".")
	}
	across, unit := inUnits(r.Units, 2*placeRadiusM, "m")
	for _, p := range r.places {
		r.Look = append(r.Look, fmt.Sprintf("%s came %d times within %.0f %s, at place %s of the map%s.", p.kind, p.count, across, unit, p.letter, p.numbers))
	}
	r.Look = append(r.Look, d.headland.words()...)
	t := &r.Shift.Total.Times
	// More than a twelfth of the day and ten minutes (our own choice, no source).
	if t.WaitingS > t.TotalS/12 && t.WaitingS > 600 {
		r.Look = append(r.Look, fmt.Sprintf("The machine waited %s h with threshing on: is there room for another trailer?", hours(t.WaitingS)))
	}
	if len(r.Checks) == 0 {
		r.Look = append(r.Look, "No sample was looked at and nothing was counted on the ground: loss sensors show direction, not kilograms.")
	}
	if d.cut > 0 && d.fed == 0 {
		r.Look = append(r.Look, "The feed was never known: see the survey for what is missing.")
	}
}

// sick is a sensor that lied or a fault code, once however often it came.
type sick struct {
	kind, subject, text string
	count               int
	open                bool
}

var sickKinds = []string{"fault-code", "signal-faulty", "signal-silent", "signal-implausible", "signal-stuck"}

func (d *traces) addSick(e *export.Event) {
	if !slices.Contains(sickKinds, e.Kind) && !strings.Contains(e.Text, "set its sensor") { // a loss sensor near its end all day
		return
	}
	subject := ""
	if e.Subject != nil {
		subject = *e.Subject
	}
	open := e.Phase != "ended"
	for i := range d.sick {
		if g := &d.sick[i]; g.kind == e.Kind && g.subject == subject {
			g.count++
			g.open = g.open || open
			return
		}
	}
	d.sick = append(d.sick, sick{e.Kind, subject, e.Text, 1, open})
	slices.SortStableFunc(d.sick, func(a, b sick) int {
		return cmp.Compare(slices.Index(sickKinds, a.kind), slices.Index(sickKinds, b.kind))
	})
}

// place is where a trouble came again and again.
type place struct {
	point
	letter, kind, numbers string
	count                 int
}

const (
	// Two or three passes side by side, and as often as cannot be chance (our own
	// choice, no source).
	placeRadiusM = 30.0
	placeLeast   = 3 // alarms
	mostPlaces   = 6
)

// recurring finds places where overload or loss came three times and more.
func recurring(marks []mark) (places []place) {
	for _, kind := range []string{"engine-overload", "rotor-slowing", "separation-loss-high", "cleaning-loss-high", "crop-loss-high", "returns-high", "feed-drop"} {
		var left []mark
		for _, m := range marks {
			if m.Kind == kind && m.placed {
				left = append(left, m)
			}
		}
		for len(places) < mostPlaces {
			var best []mark
			var at point
			for _, m := range left {
				if near := within(left, m.place); len(near) > len(best) {
					best, at = near, m.place
				}
			}
			if len(best) < placeLeast {
				break
			}
			p := place{point: at, letter: string(rune('A' + len(places))), kind: sentenceCase(kind), count: len(best)}
			var numbers []string
			for _, m := range best {
				if m.Number > 0 {
					numbers = append(numbers, fmt.Sprint(m.Number))
				}
			}
			if len(numbers) > 0 {
				p.numbers = " (numbers " + strings.Join(numbers, ", ") + ")"
			}
			places = append(places, p)
			left = slices.DeleteFunc(left, func(m mark) bool { return metres(m.place, at) <= placeRadiusM })
		}
	}
	return places
}

func within(marks []mark, p point) (near []mark) {
	for _, m := range marks {
		if metres(m.place, p) <= placeRadiusM {
			near = append(near, m)
		}
	}
	return near
}

func sentenceCase(kind string) string {
	words := strings.ReplaceAll(kind, "-", " ")
	return strings.ToUpper(words[:1]) + words[1:]
}

// Repeated tells whether a trouble came again at one place.
func (r *report) Repeated() bool { return len(r.places) > 0 }
