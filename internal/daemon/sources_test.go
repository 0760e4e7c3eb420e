package daemon

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/store"
)

// The engine falls silent, and a gateway that repeats its speed (SAE J1939-71,
// EEC1) is believed in its place.
func TestAChangeOfSourceIsLogged(t *testing.T) {
	c, err := core.New(config.Default(), core.Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	var text logText
	d := Daemon{core: c, log: slog.New(slog.NewTextHandler(&text, nil))}
	hear := func(stamp time.Duration, from uint32) {
		c.Frame(&canbus.Frame{Stamp: int64(stamp), ID: 0x0CF00400 | from, Len: 8, Flags: canbus.Extended,
			Data: [8]byte{0xF0, 0xFF, 0xFF, 0x00, 0x40, 0xFF, 0xFF, 0xFF}})
	}
	for n := range time.Duration(100) {
		if n < 20 {
			hear(n*100*time.Millisecond, 0)
		}
		hear(n*100*time.Millisecond+50*time.Millisecond, 0xF0)
		d.noteSources()
	}
	const want = `msg="signal comes from elsewhere now" signal=engine_speed_rpm times=1 from="PGN 61444 SPN 190, address 00" to="PGN 61444 SPN 190, address F0"`
	if got := text.String(); strings.Count(got, "\n") != 1 || !strings.Contains(got, want) {
		t.Errorf("the log says\n%s", got)
	}
}

func TestSourcesThatTakeTurnsDoNotFillTheLog(t *testing.T) {
	var l sourceLog
	var lines []int
	for count := 1; count <= 1000; count++ {
		if l.due(signal.GroundSpeed.ID, count) {
			lines = append(lines, count)
		}
	}
	if len(lines) != 16 || lines[9] != 10 || lines[10] != 20 || lines[15] != 640 {
		t.Errorf("lines at %v", lines)
	}
	if !l.due(signal.Heading.ID, 1) {
		t.Error("another signal has no line")
	}
}

// The pool of one day is in the store, and on the next day, when the task
// controller has it already, nothing new is learned.
func TestThePoolOfTheDayBefore(t *testing.T) {
	r := newRig(t, 200, nil)
	origin := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	day := func(uploads bool) (pools []store.Record) {
		s := virtual.Scenario{Machine: "giant", Signals: "generic", Pool: uploads, Hours: 0.02, Start: origin.Format(time.RFC3339)}
		r.source = NewPretend(virtual.New(s, 3), origin, 200, Clock{})
		if err := r.run(t.Context()); err != nil {
			t.Fatal(err)
		}
		opened, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer opened.Close()
		pools, err = opened.Latest(store.Pool, store.Key{})
		if err != nil {
			t.Fatal(err)
		}
		return pools
	}
	first := day(true)
	if len(first) != 1 || len(first[0].Payload) < 1786 {
		t.Fatalf("the first day left %d pools", len(first))
	}
	if next := day(false); len(next) != 1 || next[0].Key != first[0].Key {
		t.Errorf("the next day left %d pools", len(next))
	}
}
