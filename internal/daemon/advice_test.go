package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect/advise"
	"chaffinch/internal/config"
	"chaffinch/internal/problem"
	"chaffinch/publish"
	"chaffinch/store"
)

// advised runs a rig until do is over, and returns what was noted, in order.
func (r *rig) advised(do func(*Daemon)) []string {
	r.t.Helper()
	exe, err := os.Executable()
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, stop := context.WithCancel(r.t.Context())
	defer stop()
	var mu sync.Mutex
	var noted []string
	err = Run(ctx, Options{
		Config: r.cfg, Source: r.source, SelfExe: exe, Log: slog.New(slog.NewTextHandler(&r.log, nil)),
		Noted: func(n *advise.Note) {
			mu.Lock()
			defer mu.Unlock()
			noted = append(noted, n.Kind.String())
		},
		started: func(d *Daemon) {
			go func() {
				defer stop()
				do(d)
			}()
		},
	})
	if err != nil {
		r.t.Fatalf("%v\n%s", err, r.log.String())
	}
	mu.Lock()
	defer mu.Unlock()
	return noted
}

func (r *rig) submit(d *Daemon, name, body string) (publish.Reply, error) {
	r.t.Helper()
	in, err := publish.ParseInput(name, []byte(body))
	if err != nil {
		r.t.Error(err)
	}
	ctx, cancel := context.WithTimeout(r.t.Context(), 10*time.Second)
	defer cancel()
	return d.Submit(ctx, in)
}

// records lists the ids of what a store holds of some kinds, but for the memory of
// the shift: whether that has begun is a matter of tenths of a second.
func (r *rig) records(kinds ...store.Kind) map[string][]string {
	r.t.Helper()
	s, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		r.t.Fatal(err)
	}
	defer s.Close()
	all := map[string][]string{}
	for _, k := range kinds {
		for rec, err := range s.All(k, store.Key{}) {
			if err != nil {
				r.t.Fatal(err)
			}
			if rec.ID == shiftMemory {
				continue
			}
			all[k.String()] = append(all[k.String()], rec.ID+" "+string(rec.Payload))
		}
	}
	return all
}

// What people tell is answered, stored and shown, and the next run knows it.
func TestWhatPeopleTellOutlivesTheProgram(t *testing.T) {
	r := newRig(t, 20, nil)
	noted := r.advised(func(d *Daemon) {
		r.log.waitFor(t, "store open")
		reply, err := r.submit(d, "check", `{"tank":{"broken":"some","trash":"none"}}`)
		if err != nil || !strings.HasPrefix(reply.Text, "Tank sample") {
			t.Errorf("%+v %v", reply, err)
		}
		if _, err := r.submit(d, "setup", `{"field":"North","targets":{"separation-loss":33}}`); err != nil {
			t.Error(err)
		}
		if _, err := r.submit(d, "answer", `{"prompt":"p1-1","reply":"done"}`); !errors.Is(err, publish.ErrGone) {
			t.Errorf("an answer to nothing: %v", err)
		}
		var p *problem.Problem
		if _, err := r.submit(d, "setup", `{"crop":"grass"}`); !errors.As(err, &p) {
			t.Errorf("a crop that is not: %v", err)
		}
		if _, err := d.Submit(t.Context(), publish.Input{}); !errors.As(err, &p) {
			t.Errorf("an input of nothing: %v", err)
		}
		if now := d.board.Setup(); now.Field != "North" || len(now.Targets) != 1 || now.CutWidthM == 0 {
			t.Errorf("%+v", now)
		}
	})
	if got := strings.Join(noted, ","); got != "check-told,targets" {
		t.Errorf("noted %s", got)
	}
	kept := r.records(store.Check, store.Note, store.Input, store.Memory)
	if len(kept["check"]) != 1 || !strings.Contains(kept["check"][0], `"phase":"told"`) ||
		len(kept["note"]) != 1 || !strings.HasPrefix(kept["note"][0], "targets ") ||
		len(kept["input"]) != 2 || !strings.HasPrefix(kept["input"][0], `check {"time":"2026-`) ||
		len(kept["memory"]) != 2 {
		t.Errorf("%q", kept)
	}

	same := func(c *config.Config) { c.Store.Path = r.cfg.Store.Path }
	again := newRig(t, 20, same)
	again.advised(func(d *Daemon) {
		if now := d.board.Setup(); now.Field != "North" || len(now.Targets) != 1 || now.Targets[0].TargetPct != 33 {
			t.Errorf("the next run has %+v", now)
		}
		day := d.board.Day(10)
		if len(day) == 0 || day[len(day)-1].Kind != "check" || day[len(day)-1].State != "told" {
			t.Errorf("the next run's day: %+v", day)
		}
	})
	// What the owner writes into the file afterwards wins.
	other := newRig(t, 20, func(c *config.Config) { same(c); c.Machine.MassT++ })
	other.advised(func(d *Daemon) {
		if now := d.board.Setup(); now.Field == "North" && len(now.Targets) > 0 {
			t.Errorf("after a change of the configuration: %+v", now)
		}
	})
}

// A prompt is on the disk, with the adviser's memory, before it is shown; and it
// can be answered.
func TestAPromptIsStoredShownAndAnswered(t *testing.T) {
	r := newRig(t, 100, func(c *config.Config) {
		target := 3.0
		c.Alarm.SeparationLossHigh.Target = &target
	})
	r.source = NewPretend(virtual.New(virtual.Scenario{Crop: "wheat", Hours: 0.5, InCrop: true, Start: "2026-07-01T10:00:00Z"}, 1),
		time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC), 100, Clock{})
	noted := r.advised(func(d *Daemon) {
		// A turn closes a prompt too, so the first may be gone before it is answered.
		for end := time.Now().Add(20 * time.Second); ; {
			changed := d.board.Watch()
			if open := d.board.Prompt(); open != nil {
				if got := fmt.Sprint(d.board.Retained()[1:]); !strings.Contains(got, "/prompt") && d.board.Prompt() != nil {
					t.Errorf("retained %s", got)
				}
				var m struct{ Prompt struct{ ID string } }
				if err := json.Unmarshal(open, &m); err != nil {
					t.Error(err)
				}
				if _, err := r.submit(d, "answer", `{"prompt":"`+m.Prompt.ID+`","reply":"later"}`); err == nil {
					break
				} else if !errors.Is(err, publish.ErrGone) {
					t.Error(err)
				}
			}
			select {
			case <-changed:
			case <-time.After(time.Until(end)):
				t.Error("no prompt came that could be answered")
				return
			}
		}
		for end := time.Now().Add(5 * time.Second); d.board.Prompt() != nil && time.Now().Before(end); {
			time.Sleep(time.Millisecond)
		}
		if d.board.Prompt() != nil {
			t.Error("it is still open")
		}
	})
	if got := strings.Join(noted, ","); !strings.Contains(got, "prompt-opened,prompt-closed") {
		t.Errorf("noted %s", got)
	}
	kept := r.records(store.Prompt, store.Memory)
	prompts := strings.Join(kept["prompt"], "\n")
	if len(kept["prompt"]) < 2 || !strings.Contains(kept["prompt"][0], `"phase":"opened"`) || !strings.Contains(prompts, `"closed":"later"`) ||
		len(kept["memory"]) != 1 || !strings.HasPrefix(kept["memory"][0], `adviser {"saved":"2026-07-01T10:`) {
		t.Errorf("%q", kept)
	}
}

// Whoever brings too much is told so, and nobody waits for ever.
func TestTheInboxIsBounded(t *testing.T) {
	d := &Daemon{inbox: make(chan request, mostRequests), thought: make(chan struct{})}
	in, err := publish.ParseInput("check", []byte(`{"tank":{"broken":"some"}}`))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, mostRequests)
	for range mostRequests {
		go func() {
			_, err := d.Submit(ctx, in)
			ended <- err
		}()
	}
	for len(d.inbox) < mostRequests {
		time.Sleep(time.Millisecond)
	}
	if _, err := d.Submit(t.Context(), in); !errors.Is(err, publish.ErrBusy) {
		t.Errorf("one too many: %v", err)
	}
	cancel()
	for range mostRequests {
		if err := <-ended; !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
	}
	<-d.inbox
	go func() {
		_, err := d.Submit(t.Context(), in)
		ended <- err
	}()
	time.Sleep(10 * time.Millisecond)
	close(d.thought)
	if err := <-ended; !errors.Is(err, publish.ErrBusy) {
		t.Errorf("when the program ends: %v", err)
	}
	if _, err := d.Submit(t.Context(), in); !errors.Is(err, publish.ErrBusy) {
		t.Errorf("after the program's end: %v", err)
	}
}
