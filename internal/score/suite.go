package score

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
)

// Case is a make-believe harvest of the suite.
type Case struct {
	Seed     uint64
	Scenario virtual.Scenario
}

// Seeds that alarms may be tuned on, and those that only reports may use.
const (
	TuneFrom, TuneTo = 1, 400
	HeldFrom, HeldTo = 11001, 11300
)

// Suite is a fixed list of harvests: machine, crop, field, habits and trouble
// follow from the seed. Of ten, six send all signals, two only those of open
// standards and two only engine and ground speed; every tenth is a day of
// three times the hours, with a break.
func Suite(from, to uint64, hours float64) []Case {
	var list []Case
	for seed := from; seed <= to; seed++ {
		long := hours
		if seed%10 == 0 {
			long *= 3
		}
		sc := virtual.Random(seed, long)
		switch seed % 5 {
		case 3:
			sc.Signals = "generic"
		case 4:
			sc.Signals = "bare"
		}
		list = append(list, Case{seed, sc})
	}
	return list
}

// Result is what came of a harvest.
type Result struct {
	Case
	Truth  virtual.Truth
	Alerts []Alert
	Card   Card
	// RightSeconds of Seconds had the activity that the truth has.
	RightSeconds, Seconds int
}

// Run runs a harvest through the whole core, from frames to events. Each is
// called at every state, and may be nil.
func Run(c Case, each func(*machine.State)) (*Result, error) {
	cfg, err := configOf(c.Scenario)
	if err != nil {
		return nil, err
	}
	r := &Result{Case: c}
	byNumber := map[uint64]int{}
	var acts []machine.Activity
	unseen := blindness{}
	var thinks *core.Core
	thinks, err = core.New(cfg, core.Outputs{
		Event: func(e *detect.Event) {
			i, ok := byNumber[e.Number]
			if !ok {
				i = len(r.Alerts)
				byNumber[e.Number] = i
				r.Alerts = append(r.Alerts, Alert{Kind: e.Kind, Subject: e.Subject,
					Began: e.Began.Seconds(), Raised: e.Raised.Seconds(), Open: true})
			}
			if e.Phase == detect.Ended {
				r.Alerts[i].Ended, r.Alerts[i].Open = e.Ended.Seconds(), false
			}
		},
		State: func(s *machine.State) {
			if second := int(s.Now.Seconds()); second == len(acts) {
				acts = append(acts, s.Activity)
				for _, b := range thinks.Blind() {
					unseen.note(b.Kind, second)
				}
			} else {
				for len(acts) < second {
					acts = append(acts, machine.Off) // the bus slept
				}
			}
			if each != nil {
				each(s)
			}
		},
	})
	if err != nil {
		return nil, err
	}
	combine := virtual.New(c.Scenario, c.Seed)
	for f := range combine.Frames() {
		thinks.Frame(f)
	}
	thinks.Finish()
	r.Truth = combine.Truth()
	r.Card = Match(&r.Truth, r.Alerts, UsualDeadlines())
	r.Card.excuse(r, unseen)
	for i := range min(len(acts), len(r.Truth.Activity)) {
		r.Seconds++
		if acts[i].String() == r.Truth.Activity[i] {
			r.RightSeconds++
		}
	}
	return r, nil
}

// configOf is the configuration that suits a harvest, as an owner would
// write it.
func configOf(s virtual.Scenario) (*config.Config, error) {
	cfg, wrong := config.FromText(virtual.ConfigText(s))
	return cfg, errors.Join(wrong...)
}

// RunAll runs harvests on all processors and hands over their results in the
// order of the list.
func RunAll(ctx context.Context, cases []Case, each func(*Result) error) error {
	type slot struct {
		result *Result
		err    error
		done   chan struct{}
	}
	slots := make([]slot, len(cases))
	for i := range slots {
		slots[i].done = make(chan struct{})
	}
	next := make(chan int)
	stop := make(chan struct{})
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for i := range next {
				slots[i].result, slots[i].err = Run(cases[i], nil)
				close(slots[i].done)
			}
		})
	}
	workers.Go(func() {
		defer close(next)
		for i := range cases {
			select {
			case next <- i:
			case <-stop:
				return
			}
		}
	})
	defer workers.Wait()
	defer close(stop)
	for i := range slots {
		select {
		case <-slots[i].done:
		case <-ctx.Done():
			return ctx.Err()
		}
		if slots[i].err != nil {
			return fmt.Errorf("score: harvest %d: %w", cases[i].Seed, slots[i].err)
		}
		if err := each(slots[i].result); err != nil {
			return err
		}
		slots[i].result = nil
	}
	return nil
}
