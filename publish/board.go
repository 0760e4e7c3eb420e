package publish

import (
	"slices"
	"sync"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

// Alert is an event that is active.
type Alert struct {
	ID       string
	Kind     string
	Subject  string
	Priority detect.Priority
	Text     string
	Since    signal.Instant // when its condition first held
}

// Board is what is true now: the active alerts, the open prompt, the checks
// that are wanted, the newest verdict and live values, and the last hour.
// Every output reads it, so that all tell the same. It may be used from
// several goroutines; what it returns is the caller's own or never changes.
type Board struct {
	topics Topics
	clock  Clock

	mu      sync.Mutex
	alerts  []posted // in the order raised
	live    []byte   // the newest payload; replaced, not written to
	liveAt  signal.Instant
	lives   uint64
	prompt  []byte  // the open one, as on its topic
	verdict []byte  // the newest
	checks  []asked // that are wanted
	day     day
	history history
	heard   heard
	setup   SetupNow
	changed chan struct{} // closed at the next change
}

// posted is an alert as it stands on its topic.
type posted struct {
	Alert
	acknowledged bool
	topic        string
	payload      []byte
}

// NewBoard makes an empty board for one machine and one run.
func NewBoard(topics Topics, clock Clock) *Board {
	return &Board{topics: topics, clock: clock, liveAt: signal.Never, changed: make(chan struct{})}
}

// Topics are the topics that the board writes to.
func (b *Board) Topics() Topics { return b.topics }

// Apply takes in one phase of an event, with the payload that
// AppendEventMessage made of it, and returns what to publish: the event, and
// its alert if that was raised, acknowledged, took another priority or text, or ended. To
// be called after the event is safe in the store. The board keeps payload.
func (b *Board) Apply(e *detect.Event, payload []byte) []Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.remember(payload)
	out := []Message{{Topic: b.topics.Event(), Payload: payload, QoS: 1}}
	topic := b.topics.Alert(e.Kind, e.Subject)
	alert := Message{Topic: topic, Payload: payload, QoS: 1, Retain: true}
	i := slices.IndexFunc(b.alerts, func(p posted) bool { return p.topic == topic })
	switch {
	case e.Phase == detect.Ended && i < 0:
		return out
	case e.Phase == detect.Ended:
		b.alerts = slices.Delete(b.alerts, i, i+1)
		alert.Payload = nil
	default:
		p := posted{topic: topic, payload: payload, acknowledged: e.Acknowledged, Alert: Alert{
			ID: EventID(b.clock.Boot, e.Number), Kind: e.Kind, Subject: e.Subject,
			Priority: e.Priority, Text: e.Text, Since: e.Began,
		}}
		switch {
		case i < 0:
			b.alerts = append(b.alerts, p)
		case b.alerts[i].Alert == p.Alert && b.alerts[i].acknowledged == p.acknowledged:
			return out // only its peak moved: the event tells
		default:
			b.alerts[i] = p
		}
	}
	b.touch()
	return append(out, alert)
}

// Live takes in the newest state. Once a second of event time it makes a live
// message of it; else ok is false. Nothing of m is kept.
func (b *Board) Live(m Moment) (msg Message, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := m.State.Now
	if since := now.Sub(b.liveAt); b.liveAt != signal.Never && since >= 0 && since < LiveEvery {
		return Message{}, false
	}
	b.liveAt = now
	b.lives++
	b.heard.take(m)
	var date *time.Time
	if t, ok := b.clock.date(now); ok {
		date = &t
	}
	b.history.add(m.State, date)
	b.live = appendLive(make([]byte, 0, 3072), b.lives, m, b.listed(), b.clock)
	b.touch()
	return b.liveMessage(), true
}

// Alerts are the active alerts in the order raised.
func (b *Board) Alerts() []Alert {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.listed()
}

// Newest is the newest live payload, or nil before the first.
func (b *Board) Newest() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.live
}

// Retained is every retained message as it should stand now, but for live:
// availability first, then the alerts in the order raised, then the open
// prompt.
func (b *Board) Retained() []Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]Message, 0, 1+len(b.alerts))
	out = append(out, Message{Topic: b.topics.Availability(), Payload: []byte(Online), QoS: 1, Retain: true})
	for _, p := range b.alerts {
		out = append(out, Message{Topic: p.topic, Payload: p.payload, QoS: 1, Retain: true})
	}
	if b.prompt != nil {
		out = append(out, Message{Topic: b.topics.Prompt(), Payload: b.prompt, QoS: 1, Retain: true})
	}
	return out
}

// NewestLive is the newest live message, if there was one.
func (b *Board) NewestLive() (Message, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.liveMessage(), b.live != nil
}

// Watch returns a channel that is closed at the next change. To miss nothing,
// take it before looking.
func (b *Board) Watch() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

func (b *Board) listed() []Alert {
	out := make([]Alert, len(b.alerts))
	for i, p := range b.alerts {
		out[i] = p.Alert
	}
	return out
}

func (b *Board) liveMessage() Message {
	return Message{Topic: b.topics.Live(), Payload: b.live, Retain: true}
}

func (b *Board) touch() {
	close(b.changed)
	b.changed = make(chan struct{})
}
