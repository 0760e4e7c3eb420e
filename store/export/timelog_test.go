package export_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/store"
	"chaffinch/store/export"
	"chaffinch/store/history"

	"pgregory.net/rapid"
)

// seen is what a time log shows at a second: a value that is not repeated stands.
type seen struct {
	located  bool
	lat, lon float64
	values   map[uint8]int32
}

// readLogs reads all logs of task data, by the second.
func readLogs(t *rapid.T, data []byte) map[time.Time]seen {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	all := map[time.Time]seen{}
	for n := 1; ; n++ {
		name := fmt.Sprintf("TASKDATA/TLG%05d", n)
		header, err := z.Open(name + ".XML")
		if err != nil {
			return all
		}
		text, err := io.ReadAll(header)
		if err != nil {
			t.Fatal(err)
		}
		located := strings.Contains(string(text), "<PTN")
		bin, err := z.Open(name + ".BIN")
		if err != nil {
			t.Fatal(err)
		}
		rest, err := io.ReadAll(bin)
		if err != nil || len(rest) == 0 {
			t.Fatal("an empty log", err)
		}
		now := map[uint8]int32{}
		for len(rest) > 0 {
			var r processdata.TimeRecord
			if r, rest, err = processdata.ParseTimeRecord(rest, processdata.TimeFields{North: located, East: located}); err != nil {
				t.Fatal(err)
			}
			copied := map[uint8]int32{}
			for _, v := range r.Values {
				now[v.Index] = v.Value
			}
			for i, v := range now {
				copied[i] = v
			}
			if _, twice := all[r.Time]; twice {
				t.Fatal("a second is there twice:", r.Time)
			}
			all[r.Time] = seen{located, r.NorthDeg, r.EastDeg, copied}
		}
	}
}

// Whatever becomes unknown and when, what a time log shows of a second is what the
// row of that second has; of what is not known it shows the last value for at most
// 30 s; and no second with a date is missing, but those without a position between
// some that have one.
func TestTimeLogsShowTheRows(t *testing.T) {
	begin := time.Date(2026, 7, 1, 23, 58, 0, 0, time.UTC) // over midnight
	rapid.Check(t, func(rt *rapid.T) {
		path := filepath.Join(t.TempDir(), fmt.Sprint(rapid.Uint64().Draw(rt, "name"), ".db"))
		s, err := store.Open(path, store.Options{})
		if err != nil {
			rt.Fatal(err)
		}
		payload := func(phase string) []byte {
			return fmt.Appendf(nil, `{"phase":%q,"shift":{"number":1}}`, phase)
		}
		records := []store.Record{{Kind: store.Shift, ID: shift.RecordID(1), Phase: detect.Raised, Payload: payload(shift.PhaseBegan)}}
		var rows []history.Row
		at, flow, here := signal.Instant(0), true, true
		block := history.NewBuilder()
		for range rapid.IntRange(1, 20).Draw(rt, "stretches") {
			if rapid.Bool().Draw(rt, "flips flow") {
				flow = !flow
			}
			if rapid.Bool().Draw(rt, "flips place") {
				here = !here
			}
			at = at.Add(time.Duration(rapid.SampledFrom([]int{1, 1, 1, 40, 90}).Draw(rt, "pause")) * time.Second)
			for range rapid.SampledFrom([]int{1, 5, 29, 30, 31, 40}).Draw(rt, "rows") {
				row := history.Row{At: at, Shift: 1, Activity: machine.Cutting}
				if flow {
					row.Set(signal.GrainFlow.ID, float64(len(rows)%50))
				}
				if here {
					row.Set(signal.Latitude.ID, 50+float64(len(rows))/1e5)
					row.Set(signal.Longitude.ID, -14-float64(len(rows))/1e5)
				}
				rows = append(rows, row)
				if !block.Add(&row) {
					records = append(records, history.Record(block.First(), block.AppendBlock(nil)))
					block.Add(&row)
				}
				at = at.Add(time.Second)
			}
		}
		records = append(records, history.Record(block.First(), block.AppendBlock(nil)),
			store.Record{Kind: store.Shift, ID: shift.RecordID(1), Phase: detect.Ended, Payload: payload(shift.PhaseEnded)})
		if err := errors.Join(s.AppendWall(store.Wall{At: 0, Time: begin, Source: store.GNSSTime}), s.Append(records), s.Close()); err != nil {
			rt.Fatal(err)
		}
		src, err := export.Open(path)
		if err != nil {
			rt.Fatal(err)
		}
		logs := readLogs(rt, written(t, src, "isoxml", export.Part{}))
		if err := src.Close(); err != nil {
			rt.Fatal(err)
		}
		const flowIndex = 3
		unknown, apart := 0, false
		for i := range rows {
			row := &rows[i]
			want, known := row.Value(signal.GrainFlow.ID)
			lat, located := row.Value(signal.Latitude.ID)
			if i > 0 && row.At.Sub(rows[i-1].At) > time.Minute {
				apart = true
			}
			unknown++
			if known {
				unknown, apart = 0, false
			}
			one, there := logs[begin.Add(time.Duration(row.At))]
			delete(logs, begin.Add(time.Duration(row.At)))
			if !there {
				if located {
					rt.Fatalf("row %d is missing", i)
				}
				continue
			}
			if one.located != located || located && math.Abs(one.lat-lat) > 1e-7 {
				rt.Fatalf("row %d is at %v, want %v %v", i, one, located, lat)
			}
			raw, shown := one.values[flowIndex]
			switch {
			case known && (!shown || math.Abs(float64(raw)-want*1e9/3600) > 1):
				rt.Fatalf("row %d shows %v, want %v t/h", i, raw, want)
			case !known && shown && (unknown > 30 || apart):
				rt.Fatalf("row %d shows a value that was not known for %d rows", i, unknown)
			}
		}
		if len(logs) > 0 {
			rt.Fatalf("%d seconds are made up", len(logs))
		}
	})
}
