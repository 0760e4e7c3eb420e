package core

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/shift"
	"chaffinch/publish"
	"chaffinch/store"
)

// What the core tells as records for the store: the same live and in replay. Seq
// counts the messages of a run.

// EventRecord is a phase of an event, noticed at an instant.
func EventRecord(seq uint64, at signal.Instant, e *detect.Event, clock publish.Clock) store.Record {
	return store.Record{
		Kind: store.Event, ID: publish.EventID(clock.Boot, e.Number), Phase: e.Phase, Priority: e.Priority,
		At: at, Send: true, Payload: publish.AppendEventMessage(nil, seq, at, e, clock),
	}
}

// NoteRecord is what the adviser told.
func NoteRecord(seq uint64, n *advise.Note, clock publish.Clock) store.Record {
	kind, id := kindOf(n, clock.Boot)
	return store.Record{Kind: kind, ID: id, Phase: detect.Ended, At: n.At, Send: true, Payload: publish.AppendNoteMessage(nil, seq, n, clock)}
}

// kindOf is the kind and id under which a note is stored.
func kindOf(n *advise.Note, boot uint64) (store.Kind, string) {
	switch n.Kind {
	case advise.PromptOpened, advise.PromptClosed:
		return store.Prompt, publish.PromptID(boot, n.Prompt.ID)
	case advise.VerdictGiven:
		return store.Judged, publish.PromptID(boot, n.Verdict.Prompt)
	case advise.CheckAsked, advise.CheckWithdrawn:
		return store.Check, publish.CheckID(boot, n.Check.ID)
	case advise.CheckTold:
		return store.Check, publish.CheckID(boot, n.Taken.ID)
	}
	return store.Note, n.Kind.String()
}

// InputRecord is what somebody told the program.
func InputRecord(t Told, clock publish.Clock) (store.Record, error) {
	line, err := publish.AppendInput(nil, t.At, t.Input, clock)
	return store.Record{Kind: store.Input, ID: t.Input.Name(), Phase: detect.Ended, At: t.At, Payload: line}, err
}

// ShiftRecord is the beginning or the end of a shift. Date gives the date of a
// moment of this run or of an earlier one.
func ShiftRecord(seq uint64, at signal.Instant, phase string, s *shift.Summary, date func(shift.Moment) (time.Time, bool), clock publish.Clock) (store.Record, error) {
	payload, err := publish.AppendShiftMessage(nil, seq, at, phase, s, date, clock)
	r := store.Record{Kind: store.Shift, ID: shift.RecordID(s.Number), Phase: detect.Raised, Priority: detect.Medium, At: at, Send: true, Payload: payload}
	if phase == shift.PhaseEnded {
		r.Phase = detect.Ended
	}
	return r, err
}
