package daemon

import (
	"context"
	"time"

	"chaffinch/detect"
	"chaffinch/publish"
)

const (
	// mostRequests is how many inputs may wait for the core.
	mostRequests = 16
	// asleep is how long the core may not have stepped before what people tell
	// is taken without a step: the bus is silent.
	asleep = time.Second
)

// request is an input on its way to the core.
type request struct {
	input publish.Input
	reply chan<- outcome // has room for one
}

type outcome struct {
	reply publish.Reply
	err   error
}

func (r request) answer(reply publish.Reply, err error) { r.reply <- outcome{reply, err} }

// acknowledgeOwn takes the acknowledgement of an alert about the program itself; the
// core knows nothing of those. It tells whether that is what was asked.
func (d *Daemon) acknowledgeOwn(r request) bool {
	if r.input.Acknowledge == nil {
		return false
	}
	boot, number, _ := publish.ParseID('e', r.input.Acknowledge.Event)
	if boot != d.clock.Boot || number <= detect.OwnNumbers {
		return false
	}
	changed, is := d.own.Acknowledge(number)
	if !is {
		r.answer(publish.Reply{}, publish.ErrGone)
		return true
	}
	d.recordAll(changed, max(d.lived, 0))
	r.answer(publish.Reply{}, nil)
	return true
}

// Submit is the one way in for what people tell: a publish.Submit. The core
// takes it behind its next step. It may be called from any goroutine.
func (d *Daemon) Submit(ctx context.Context, in publish.Input) (publish.Reply, error) {
	if err := in.Validate(); err != nil {
		return publish.Reply{}, err
	}
	select {
	case <-d.thought:
		return publish.Reply{}, publish.ErrBusy
	default:
	}
	reply := make(chan outcome, 1)
	select {
	case d.inbox <- request{in, reply}:
	default:
		return publish.Reply{}, publish.ErrBusy
	}
	select {
	case o := <-reply:
		return o.reply, o.err
	case <-d.thought:
	case <-ctx.Done():
		return publish.Reply{}, ctx.Err()
	}
	select {
	case o := <-reply: // it was the last that was taken
		return o.reply, o.err
	default:
		return publish.Reply{}, publish.ErrBusy
	}
}
