package daemon

import (
	"context"
	"fmt"
	"time"

	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/store"
)

// note stores what the adviser tells, together with what it remembers then; it
// is published when that is done.
func (d *Daemon) note(n *advise.Note) {
	d.seq++
	payload := publish.AppendNoteMessage(nil, d.seq, n, d.clock)
	d.tell.expectNote(n, payload, time.Now())
	kind, id := d.recordOf(n)
	records := []store.Record{{Kind: kind, ID: id, Phase: detect.Ended, At: n.At, Send: true, Payload: payload}}
	if m, ok := d.memory(n.At); ok {
		records = append(records, m)
	}
	if err := d.put(records); err != nil {
		d.tell.giveUp()
		d.failure = fmt.Errorf("daemon: advice not stored: %w", err)
		d.log.Error("advice not stored", "note", n.Kind, "error", err)
	}
	if n.Kind == advise.TargetsSet {
		d.board.SetSetup(d.core.SetupNow())
	}
}

// recordOf is the kind and id under which a note is stored.
func (d *Daemon) recordOf(n *advise.Note) (store.Kind, string) {
	boot := d.clock.Boot
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

// took stores an input that was taken, and what is set up from then on.
func (d *Daemon) took(t core.Told) {
	line, err := publish.AppendInput(nil, t.At, t.Input, d.clock)
	if err != nil {
		d.log.Error("input not stored", "input", t.Input.Name(), "error", err)
		return
	}
	d.log.Info("told", "input", t.Input.Name())
	records := []store.Record{{Kind: store.Input, ID: t.Input.Name(), Phase: detect.Ended, At: t.At, Payload: line}}
	if t.Input.Setup != nil {
		if m, ok := d.pack(setupMemory, t.At, setupKept{d.basis, d.core.Set()}); ok {
			records = append(records, m)
		}
		d.board.SetSetup(d.core.SetupNow())
	}
	if err := d.put(records); err != nil {
		d.log.Error("input not stored", "input", t.Input.Name(), "error", err)
	}
}

func (d *Daemon) put(records []store.Record) error {
	patience, cancel := context.WithTimeout(context.Background(), fullQueue)
	defer cancel()
	return d.writer.PutTogether(patience, records)
}
