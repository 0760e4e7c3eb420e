package publish

import (
	"slices"
	"time"

	"chaffinch/detect/advise"
)

// asked is a check that is wanted.
type asked struct {
	check   string // tank, returns, ground: each is wanted once at most
	payload []byte
}

// ApplyNote takes in what the adviser tells, with the payload that
// AppendNoteMessage made of it, and returns what to publish. To be called after
// the note is safe in the store. The board keeps payload.
func (b *Board) ApplyNote(n *advise.Note, payload []byte) []Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.remember(payload)
	defer b.touch()
	once := Message{Topic: b.topics.Of(n.Kind), Payload: payload, QoS: 1}
	switch n.Kind {
	case advise.PromptOpened:
		b.prompt = payload
		once.Retain = true
	case advise.PromptClosed:
		b.prompt = nil
		// How it ended first, so that whoever looks on knows when it is gone.
		return []Message{once, {Topic: once.Topic, QoS: 1, Retain: true}}
	case advise.VerdictGiven:
		b.verdict = payload
	case advise.CheckAsked:
		b.answered(n.Check.Check)
		b.checks = append(b.checks, asked{n.Check.Check, payload})
	case advise.CheckWithdrawn:
		b.answered(n.Check.Check)
	case advise.CheckTold:
		c := &n.Taken.Check
		if c.Tank != nil {
			b.answered(advise.TankCheck)
		}
		if c.Returns != nil {
			b.answered(advise.ReturnsCheck)
		}
		if c.Ground != nil {
			b.answered(advise.GroundCheck)
		}
	}
	return []Message{once}
}

// answered takes a check off the list.
func (b *Board) answered(check string) {
	b.checks = slices.DeleteFunc(b.checks, func(a asked) bool { return a.check == check })
}

// Of is the topic of a kind of note.
func (t Topics) Of(k advise.NoteKind) string {
	switch k {
	case advise.PromptOpened, advise.PromptClosed:
		return t.Prompt()
	case advise.VerdictGiven:
		return t.Verdict()
	case advise.CheckAsked, advise.CheckWithdrawn, advise.CheckTold:
		return t.Check()
	}
	return t.Note()
}

// Prompt is the payload of the open prompt, or nil.
func (b *Board) Prompt() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.prompt
}

// Verdict is the payload of the newest verdict, or nil.
func (b *Board) Verdict() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.verdict
}

// Checks are the payloads of the checks that are wanted, in the order asked.
func (b *Board) Checks() [][]byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([][]byte, len(b.checks))
	for i := range b.checks {
		out[i] = b.checks[i].payload
	}
	return out
}

// AlertPayloads are the payloads of the active alerts, in the order raised.
func (b *Board) AlertPayloads() [][]byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([][]byte, len(b.alerts))
	for i := range b.alerts {
		out[i] = b.alerts[i].payload
	}
	return out
}

// JoinPayloads makes a JSON array of payloads.
func JoinPayloads(payloads [][]byte) []byte {
	out := []byte{'['}
	for i, p := range payloads {
		if i > 0 {
			out = append(out, ',')
		}
		out = append(out, p...)
	}
	return append(out, ']')
}

// History is the newest minutes, an hour at most, in steps of HistoryEvery.
func (b *Board) History(minutes int) History {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.history.newest(minutes, b.day.items)
}

// Day lists at most n lines of the day, newest first.
func (b *Board) Day(n int) []DayItem {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.day.newest(n)
}

// Recall fills the day with payloads of earlier runs, oldest first. What is
// known to be from before since is left out.
func (b *Board) Recall(payloads [][]byte, since time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.day.items
	b.day.items = nil
	for _, p := range payloads {
		if it, ok := itemOf(p); ok && (it.Time == nil || !it.Time.Before(since)) {
			b.day.add(before(it))
		}
	}
	b.day.interrupt()
	for _, it := range now {
		b.day.add(it)
	}
	b.touch()
}

func (b *Board) remember(payload []byte) {
	if it, ok := itemOf(payload); ok {
		b.day.add(it)
	}
}

// SetSetup notes what is set at present.
func (b *Board) SetSetup(s SetupNow) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.setup = s
	b.touch()
}

// Setup is what is set at present. It is not to be changed.
func (b *Board) Setup() SetupNow {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.setup
}
