package daemon

import (
	"context"
	"fmt"
	"time"

	"chaffinch/detect/advise"
	"chaffinch/internal/core"
	"chaffinch/store"
)

// note stores what the adviser tells, together with what it remembers then; it
// is published when that is done.
func (d *Daemon) note(n *advise.Note) {
	d.seq++
	r := core.NoteRecord(d.seq, n, d.clock)
	d.tell.expectNote(n, r.Payload, time.Now())
	records := []store.Record{r}
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

// took stores an input that was taken, and what is set up from then on.
func (d *Daemon) took(t core.Told) {
	r, err := core.InputRecord(t, d.clock)
	if err != nil {
		d.log.Error("input not stored", "input", t.Input.Name(), "error", err)
		return
	}
	d.log.Info("told", "input", t.Input.Name())
	records := []store.Record{r}
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
