package daemon

import (
	"context"
	"sync"

	"chaffinch/publish"
	"chaffinch/store"
)

// readAhead is how many messages are read from the store at once.
const readAhead = 32

// outbox gives the uplink what the store holds for it.
type outbox struct {
	writer *store.Writer
	topics publish.Topics

	ahead []store.Message // read, not yet done; used by the uplink's goroutine
	from  *store.Store    // they came from

	mu      sync.Mutex
	changed chan struct{} // closed when something was committed
}

func newOutbox(w *store.Writer, topics publish.Topics) *outbox {
	return &outbox{writer: w, topics: topics, changed: make(chan struct{})}
}

// Next is the oldest message that is not done.
func (o *outbox) Next() (seq uint64, topic string, payload []byte, ok bool) {
	s := o.writer.Store()
	if s != o.from {
		o.ahead, o.from = nil, s
	}
	if len(o.ahead) == 0 && s != nil {
		o.ahead, _ = s.OutboxNext(readAhead) // an error shows in the writer's health too
	}
	if len(o.ahead) == 0 {
		return 0, "", nil, false
	}
	m := &o.ahead[0]
	if m.Gap != nil {
		return m.Key.Seq, o.topics.Event(), publish.AppendGap(nil, m.Gap.Dropped, m.Gap.First.String(), m.Gap.Last.String()), true
	}
	return m.Key.Seq, o.topic(m.Record.Kind), m.Record.Payload, true
}

// topic is where records of a kind go. Prompts go there once when they open and
// once when they close; what the topic retains is the board's.
func (o *outbox) topic(k store.Kind) string {
	switch k {
	case store.Prompt:
		return o.topics.Prompt()
	case store.Judged:
		return o.topics.Verdict()
	case store.Check:
		return o.topics.Check()
	case store.Note:
		return o.topics.Note()
	case store.Shift:
		return o.topics.Shift()
	}
	return o.topics.Event()
}

// Done says that the broker has the message that Next gave.
func (o *outbox) Done(seq uint64) {
	if len(o.ahead) == 0 || o.ahead[0].Key.Seq != seq {
		return
	}
	o.writer.Sent(o.ahead[0])
	o.ahead = o.ahead[1:]
}

// Wait returns when there may be something to send, or with an error when ctx
// ends.
func (o *outbox) Wait(ctx context.Context) error {
	for {
		changed := o.watch()
		if s := o.writer.Store(); s != nil {
			if waiting, err := s.OutboxNext(1); err == nil && len(waiting) > 0 {
				return nil
			}
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (o *outbox) watch() <-chan struct{} {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.changed
}

// touch says that something was committed.
func (o *outbox) touch() {
	o.mu.Lock()
	defer o.mu.Unlock()
	close(o.changed)
	o.changed = make(chan struct{})
}
