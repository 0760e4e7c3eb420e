package daemon

import (
	"context"
	"encoding/json"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

// The power fails for half a minute in the middle of a field, and the store is opened
// only when the machine cuts again: the shift of before is ended, and the one that has
// begun gets the number behind it.
func TestAStoreThatComesInTheMiddleOfAShift(t *testing.T) {
	scenario := virtual.DemoFor(0.2)
	scenario.Start = time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC).Format(time.RFC3339)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	var d *Daemon
	start := func() {
		d = &Daemon{o: Options{Source: noBus{}}, log: slog.New(slog.DiscardHandler), long: longRecord{block: history.NewBuilder()}}
		c, err := core.New(cfg, core.Outputs{Shift: d.shift, Row: d.row})
		if err != nil {
			t.Fatal(err)
		}
		d.core = c
		d.clock = publish.Clock{Boot: 1, Wall: d.wall}
		d.topics = publish.NewTopics("x")
		d.board = publish.NewBoard(d.topics, d.clock)
		d.tell = announcer{board: d.board, send: func(publish.Message) {}}
		d.writer = store.NewWriter(store.WriterOptions{}) // nothing is written
	}
	start()
	combine := virtual.New(scenario, 1)
	for f := range combine.Frames() {
		if d.core.Frame(f); d.core.ShiftNumber() != 0 {
			break
		}
	}
	// What the run before left, as its 57th shift.
	memory := d.core.ShiftMemory()
	text, err := json.Marshal(memory)
	if err != nil {
		t.Fatal(err)
	}
	var fields map[string]any
	if err := json.Unmarshal(text, &fields); err != nil {
		t.Fatal(err)
	}
	fields["last"] = 57
	fields["open"].(map[string]any)["Number"] = 57
	text, err = json.Marshal(map[string]any{"memory": fields})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "store.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = s.Append([]store.Record{
		{Kind: store.Shift, ID: shift.RecordID(57), Payload: []byte(`{"phase":"began","shift":{"number":57}}`)},
		{Kind: store.Memory, ID: shiftMemory, Payload: text},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	start()
	d.o.Config = cfg
	d.o.Config.Store.Path = path
	d.o.SelfExe = "/bin/false" // the store is not looked at first
	d.makeWriter()
	d.outbox = newOutbox(d.writer, d.topics)
	late := false
	ctx, stop := context.WithCancel(t.Context())
	written := make(chan error, 1)
	for f := range virtual.New(scenario, 1).Frames() {
		d.core.Frame(f)
		if d.core.ShiftNumber() == 0 || late {
			continue
		}
		late = true
		go func() { written <- d.writer.Run(ctx) }()
		// The writer has what this run told already.
		if err := d.writer.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		d.takeUpStore()
		if d.failure != nil {
			t.Fatal(d.failure)
		}
	}
	d.storeBlock()
	stop()
	if err := <-written; err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(path, store.Options{ReadOnly: true}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	all, err := history.Shifts(s)
	if err != nil {
		t.Fatal(err)
	}
	ends := map[uint32]string{}
	for _, one := range all {
		ends[one.Number] += one.Told.Phase + " "
	}
	if ends[57] != "ended " || ends[58] != "began " || len(all) != 3 { // and the one that was told first
		t.Errorf("%v", ends)
	}
	rows := map[uint32]int{}
	for row, err := range history.Rows(s, history.Span{}) {
		if err != nil {
			t.Fatal(err)
		}
		rows[row.Shift]++
	}
	if rows[57] != 0 || rows[58] < 600 {
		t.Errorf("rows by shift: %v", rows)
	}
}
