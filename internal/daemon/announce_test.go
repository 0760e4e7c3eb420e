package daemon

import (
	"slices"
	"testing"
	"time"

	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/publish"
	"chaffinch/store"
)

// What is published when, and that each event is published once and in order.
func TestWhenEventsArePublished(t *testing.T) {
	at := func(s float64) time.Time { return time.Unix(1000, int64(s*1e9)) }
	low := &detect.Event{Number: 1, Kind: "feed-drop", Priority: detect.Low}
	urgent := &detect.Event{Number: 2, Kind: "rotor-slowing", Priority: detect.High}
	record := []store.Record{{Kind: store.Event}}
	const shiftSent = 99
	for _, c := range []struct {
		name string
		do   func(*announcer)
		want []uint64
	}{
		{"nothing before the commit", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.overdue(at(0.9), false)
		}, nil},
		{"at the commit", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.committed(record)
		}, []uint64{1}},
		{"an urgent one after a second, and what was before it", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.expect(urgent, nil, at(0.1))
			a.overdue(at(1.2), false)
		}, []uint64{1, 2}},
		{"not again at the late commit", func(a *announcer) {
			a.expect(urgent, nil, at(0))
			a.overdue(at(1.2), false)
			a.committed(record)
			a.expect(low, nil, at(2))
			a.committed(record)
		}, []uint64{2, 1}},
		{"at once when the store is known to fail", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.overdue(at(0.1), true)
		}, []uint64{1}},
		{"what belongs to an earlier run is not published here", func(a *announcer) {
			a.expectSilently(at(0))
			a.expect(low, nil, at(0))
			a.committed(append(record, record...))
		}, []uint64{1}},
		{"what the adviser tells comes in its place", func(a *announcer) {
			a.expectNote(&advise.Note{Number: 11, Kind: advise.PromptOpened, Prompt: &advise.Prompt{ID: 1}}, nil, at(0))
			a.expect(low, nil, at(0))
			a.committed([]store.Record{{Kind: store.Prompt}, {Kind: store.Memory}, {Kind: store.Input}})
			a.expectNote(&advise.Note{Number: 12, Kind: advise.VerdictGiven, Verdict: &advise.Verdict{}}, nil, at(0))
			a.committed(append(record, store.Record{Kind: store.Judged}))
		}, []uint64{11, 1, 12}},
		{"a shift comes in its place", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.expectMessage(publish.Message{Topic: "x/shift", QoS: 1}, at(0))
			a.expect(urgent, nil, at(0))
			a.committed([]store.Record{{Kind: store.Event}, {Kind: store.Shift}, {Kind: store.Memory}, {Kind: store.Event}})
		}, []uint64{1, shiftSent, 2}},
		{"history and pools are no events", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.committed([]store.Record{{Kind: store.History}, {Kind: store.Pool}})
		}, nil},
		{"a queue without a place: published, and forgotten", func(a *announcer) {
			a.expect(low, nil, at(0))
			a.expect(urgent, nil, at(0))
			a.giveUp()
			a.committed(record) // of the first
			a.expect(low, nil, at(3))
			a.committed(record)
		}, []uint64{1, 2, 1}},
	} {
		var got []uint64
		a := &announcer{
			board: publish.NewBoard(publish.NewTopics("x"), publish.Clock{Boot: 1}),
			send: func(m publish.Message) {
				if m.Topic == "x/shift" {
					got = append(got, shiftSent)
				}
			},
			told:  func(e *detect.Event) { got = append(got, e.Number) },
			noted: func(n *advise.Note) { got = append(got, n.Number) },
		}
		c.do(a)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
