package main

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/find"
	"chaffinch/canbus/signal"
)

// Readings that are typed while frames come find the same field as readings
// of a log. The frames are those of a log; only the socket is missing.
func TestFindWhileListening(t *testing.T) {
	log, display := harvestLog(t)
	var out, said bytes.Buffer
	s := streams{nil, &out, &said}
	live := liveSearch{collector: find.NewCollector(), query: find.Query{Signal: signal.SeparationLoss.ID}}
	reader, err := canbus.OpenLogs(log)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	frames := make([]canbus.Frame, 64)
	next, typed, first := 90, 0, int64(0)
	for live.last == nil || live.last.Verdict != find.Found {
		n, err := reader.Read(frames)
		for i := range frames[:n] {
			if first == 0 {
				first = frames[i].Stamp
			}
			live.collector.Feed(&frames[i])
		}
		if errors.Is(err, io.EOF) {
			t.Fatalf("not found after %d readings\n%s", typed, said.String())
		}
		now := frames[n-1].Stamp
		if now > first+int64(next)*1e9+5e8 {
			live.typed(s, display[next]["separation_loss_pct"], now)
			typed++
			next += 70
		}
		if live.due(now) {
			live.search(s)
		}
	}
	if best := live.last.Best[0]; best.PGN != 65302 || best.StartBit != 0 || typed > 12 {
		t.Errorf("%d readings, found %+v", typed, best)
	}
	if err := s.endLive(findFlags{}, &live); err != nil || !bytes.Contains(out.Bytes(), []byte("[[map]]")) {
		t.Errorf("%v: %s", err, out.String())
	}
}
