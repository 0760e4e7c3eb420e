package score

import (
	"slices"

	"chaffinch/canbus/virtual"
)

// lane is the row of one kind under the panels: bars of truth, and a mark at
// each alarm.
type lane struct {
	kind     string
	truth    []virtual.Interval
	doubtful []virtual.Interval
	alerts   []Judged
}

var outcomeColours = map[Outcome]string{
	Found: "#1b8a3a", Late: "#e08e00", False: "#d0021b", Duplicate: "#777", Doubtful: "#9e9e9e",
}

const (
	truthColour = "#7fb3e6"
	doubtColour = "#dfe7ef"
)

// lanes are those of the kinds of which there is anything to see.
func (d *drawing) lanes(r *Result) []lane {
	byKind := map[string]*lane{}
	var names []string
	of := func(kind string) *lane {
		if byKind[kind] == nil {
			byKind[kind] = &lane{kind: kind}
			names = append(names, kind)
		}
		return byKind[kind]
	}
	seen := func(v *virtual.Interval) bool { return v.Began < d.to && v.Ended > d.from }
	for i := range r.Truth.Intervals {
		if v := &r.Truth.Intervals[i]; seen(v) {
			l := of(v.Kind)
			l.truth = append(l.truth, *v)
		}
	}
	for i := range r.Card.Judged {
		if j := &r.Card.Judged[i]; j.Raised >= d.from && j.Raised < d.to {
			l := of(j.Kind)
			l.alerts = append(l.alerts, *j)
		}
	}
	for i := range r.Truth.Doubtful {
		if v := &r.Truth.Doubtful[i]; seen(v) && byKind[v.Kind] != nil {
			of(v.Kind).doubtful = append(of(v.Kind).doubtful, *v)
		}
	}
	slices.Sort(names)
	var list []lane
	for _, n := range names {
		list = append(list, *byKind[n])
	}
	return list
}

func (d *drawing) lane(l *lane) {
	d.text(leftEdge-10, d.y+14, "r", "%s", l.kind)
	bar := func(v *virtual.Interval, colour string, height float64) {
		x := d.x(v.Began)
		d.put(`<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="%s"><title>%s %s %.1f to %.1f s</title></rect>`,
			x, d.y+(laneHeight-4-height)/2, max(2, d.x(v.Ended)-x), height, colour, v.Kind, v.Subject, v.Began, v.Ended)
	}
	for i := range l.doubtful {
		bar(&l.doubtful[i], doubtColour, 14)
	}
	for i := range l.truth {
		bar(&l.truth[i], truthColour, 10)
	}
	for i := range l.alerts {
		j := &l.alerts[i]
		x, end := d.x(j.Raised), d.x(j.Ended)
		if j.Open {
			end = d.x(d.to)
		}
		colour := outcomeColours[j.Outcome]
		d.put(`<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="%s" stroke-width="3"/>`, x, d.y+15, max(end, x+1), d.y+15, colour)
		d.put(`<path d="M%.1f %.1fl-5 -9h10z" fill="%s"><title>%s %s raised at %.1f s: %s</title></path>`, x, d.y+15, colour, j.Kind, j.Subject, j.Raised, j.Outcome)
	}
	d.y += laneHeight
}

// legend says what the colours of the lanes mean.
func (d *drawing) legend() {
	x := float64(leftEdge)
	mark := func(colour, words string) {
		d.put(`<rect x="%.1f" y="%.1f" width="14" height="10" fill="%s"/>`, x, d.y, colour)
		d.text(x+20, d.y+10, "s", "%s", words)
		x += 30 + 7*float64(len(words))
	}
	mark(truthColour, "trouble, true")
	mark(doubtColour, "truth in doubt")
	mark(outcomeColours[Found], "alarm, right")
	mark(outcomeColours[Late], "too late")
	mark(outcomeColours[Duplicate], "once more")
	mark(outcomeColours[Doubtful], "where truth is in doubt")
	mark(outcomeColours[False], "false")
}
