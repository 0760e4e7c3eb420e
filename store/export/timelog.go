package export

import (
	"archive/zip"
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"strings"
	"time"

	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/store/history"
)

// value is one that the records of a time log may have.
type value struct {
	ddi     uint16
	element string
	signal  signal.ID // not of the work state
}

// logged are the values, in the order of their index.
var logged = [...]value{
	{processdata.ActualWorkState, "DET2", 0}, // 1 while cutting
	{processdata.ActualWorkingWidth, "DET2", signal.CutWidth.ID},
	{processdata.ActualWorkingHeight, "DET2", signal.HeaderHeight.ID},
	{processdata.MassFlow, "DET1", signal.GrainFlow.ID},
	{processdata.CropMoisture, "DET1", signal.GrainMoisture.ID},
	{processdata.FuelPerTime, "DET1", signal.FuelRate.ID},
	{processdata.ActualSpeed, "DET1", signal.GroundSpeed.ID},
	{processdata.ActualEngineSpeed, "DET1", signal.EngineSpeed.ID},
	{processdata.ActualRevolutions, "DET3", signal.RotorSpeed.ID},
	{processdata.SeparationFanSpeed, "DET3", signal.FanSpeed.ID},
	{processdata.ConcaveClearance, "DET3", signal.Concave.ID},
	{processdata.ChafferClearance, "DET3", signal.UpperSieve.ID},
	{processdata.SieveClearance, "DET3", signal.LowerSieve.ID},
}

// of is the value of a row in units of the dictionary.
func (v *value) of(row *history.Row) (int32, bool) {
	if v.ddi == processdata.ActualWorkState {
		if row.Activity == machine.Cutting {
			return 1, true
		}
		return 0, row.Activity != machine.Unknown
	}
	x, ok := row.Value(v.signal)
	if !ok {
		return 0, false
	}
	e, _ := processdata.Lookup(v.ddi)
	scale, offset, unit := e.Scale()
	if unit == "mm" && v.signal == signal.CutWidth.ID {
		scale /= 1000 // the signal is in metres
	}
	return int32(whole((x - offset) / scale)), true
}

// A log ends, and another begins, where a value that was known has not been for
// long (a value that is not repeated is taken to stand), where time does not go
// on, and where positions come or stay away.
const (
	logHolds = 30 // rows
	logPause = time.Minute
)

// timeLogs writes rows as time logs into a zip.
type timeLogs struct {
	source *Source
	zip    *zip.Writer
	number int // of the newest log

	done    []logFile
	undated int // rows that are left out for want of a date
	nowhere int // and of a position, in a log that has them

	out     *bufio.Writer // nil: no log is open
	located bool          // the log has positions
	gone    int           // rows since the last position
	last    time.Time
	values  [len(logged)]struct {
		raw   int32
		known bool
		gone  int // rows since it was known
	}
	record []byte
}

type logFile struct {
	name  string
	bytes int64
}

// timeLogEpoch is day 0 of a time log.
var timeLogEpoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

func (l *timeLogs) add(row *history.Row) error {
	date, _, ok := l.source.Date(uint64(row.Boot), row.At)
	date = date.Truncate(time.Millisecond)
	day := int64(date.Sub(timeLogEpoch) / (24 * time.Hour))
	if !ok || date.Before(timeLogEpoch) || day > 65534 {
		l.undated++
		return nil
	}
	lat, ok := row.Value(signal.Latitude.ID)
	lon, ok2 := row.Value(signal.Longitude.ID)
	located := ok && ok2
	if located {
		l.gone = 0
	} else {
		l.gone++
	}
	if l.out != nil && (l.breaks(row) || date.Sub(l.last) <= 0 || date.Sub(l.last) > logPause || located && !l.located || l.located && l.gone > logHolds) {
		if err := l.end(); err != nil {
			return err
		}
	}
	if l.out == nil {
		if err := l.begin(located); err != nil {
			return err
		}
	}
	if l.located && !located {
		l.nowhere++
		return nil
	}
	l.last = date
	r := binary.LittleEndian.AppendUint32(l.record[:0], uint32(date.Sub(date.Truncate(24*time.Hour)).Milliseconds()))
	r = binary.LittleEndian.AppendUint16(r, uint16(day))
	if l.located {
		r = binary.LittleEndian.AppendUint32(r, uint32(int32(whole(lat*1e7))))
		r = binary.LittleEndian.AppendUint32(r, uint32(int32(whole(lon*1e7))))
	}
	count := len(r)
	r = append(r, 0)
	for i := range logged {
		v := &l.values[i]
		raw, ok := logged[i].of(row)
		if !ok || v.known && raw == v.raw {
			continue
		}
		v.raw, v.known = raw, true
		r = binary.LittleEndian.AppendUint32(append(r, byte(i)), uint32(raw))
		r[count]++
	}
	l.record = r
	n, err := l.out.Write(r)
	l.done[len(l.done)-1].bytes += int64(n)
	return err
}

// breaks counts for how long values are not known, and tells whether one of them
// has not been for too long.
func (l *timeLogs) breaks(row *history.Row) (is bool) {
	for i := range logged {
		v := &l.values[i]
		if _, ok := logged[i].of(row); ok {
			v.gone = 0
		} else if v.gone++; v.known && v.gone > logHolds {
			is = true
		}
	}
	return is
}

// begin begins a log with its header: an empty attribute is in every record, a
// filled one is the same in all (ISO 11783-10). How good a position was is not
// kept, so that its status is 15, not available.
func (l *timeLogs) begin(located bool) error {
	l.number++
	name := fmt.Sprintf("TLG%05d", l.number)
	l.done = append(l.done, logFile{name: name})
	l.located, l.gone = located, 0
	for i := range l.values {
		l.values[i].known, l.values[i].gone = false, 0
	}
	var b strings.Builder
	b.WriteString(`<?xml version="1.0" encoding="UTF-8"?>` + "\n" + `<TIM A="" D="4">` + "\n")
	if located {
		b.WriteString(`  <PTN A="" B="" D="15"/>` + "\n")
	}
	for _, v := range logged {
		fmt.Fprintf(&b, `  <DLV A="%04X" B="" C="%s"/>`+"\n", v.ddi, v.element)
	}
	b.WriteString("</TIM>\n")
	header, err := l.zip.Create("TASKDATA/" + name + ".XML")
	if err != nil {
		return err
	}
	if _, err := io.WriteString(header, b.String()); err != nil {
		return err
	}
	bin, err := l.zip.Create("TASKDATA/" + name + ".BIN")
	if err != nil {
		return err
	}
	l.out = bufio.NewWriter(bin)
	return nil
}

// end ends the log that is open.
func (l *timeLogs) end() error {
	if l.out == nil {
		return nil
	}
	out := l.out
	l.out = nil
	return out.Flush()
}
