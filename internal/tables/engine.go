package tables

import (
	"encoding/binary"
	"math"
	"time"

	"chaffinch/canbus"
)

// twiceASecond is how often a row's values are sent until the next row: what an
// engine sends ten times a second is stale after one.
const twiceASecond = 500 * time.Millisecond

// sender puts rows on a make-believe wire.
type sender struct {
	frames []canbus.Frame
	at     int64
}

func (s *sender) send(id uint32, data [8]byte) {
	s.frames = append(s.frames, canbus.Frame{Stamp: s.at, ID: id, Len: 8, Flags: canbus.Extended, Data: data})
	s.at += int64(time.Millisecond) // frames cannot share the wire
}

var nothing = [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}

// engine sends what the row knows of engine and speed, in SAE J1939-71 form.
func (s *sender) engine(rpm, load, fuelLH, speedKMH float64) {
	d := nothing
	if !math.IsNaN(rpm) {
		binary.LittleEndian.PutUint16(d[3:], uint16(math.Round(rpm/0.125)))
		s.send(0x0CF00400, d)
	}
	d = nothing
	d[2] = byte(math.Round(load))
	s.send(0x0CF00300, d)
	d = nothing
	binary.LittleEndian.PutUint16(d[0:], uint16(math.Round(fuelLH/0.05)))
	s.send(0x18FEF200, d)
	d = nothing
	binary.LittleEndian.PutUint16(d[0:], uint16(math.Round(speedKMH/3.6/0.001)))
	s.send(0x0CFE48F0, d)
}

// touch lets a task controller and the machine's client keep in touch.
func (s *sender) touch() {
	s.send(0x18CBFF00|taskController, [8]byte{0xFE, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0xFF})
	s.send(0x18CB0000|taskController<<8|client, [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0})
}

func (s *sender) value(element, ddi uint16, v float64) {
	s.send(0x0CCB0000|taskController<<8|client, processData(element, ddi, v))
}

func (s *sender) position(latitude, longitude float64) {
	var d [8]byte
	binary.LittleEndian.PutUint32(d[:], uint32(int32(math.Round(latitude*1e7))))
	binary.LittleEndian.PutUint32(d[4:], uint32(int32(math.Round(longitude*1e7))))
	s.send(0x09F8011C, d)
}

// Work chooses what of a table is sent.
type Work struct {
	// State sends the machine's own work state and width.
	State bool
	// FlowUntil is the second until which the mass flow is sent.
	FlowUntil float64
}

// Forage turns the rows of the forage harvester into frames. Its flow of green
// crop goes far beyond what grain flow may be, so a quarter of it is sent.
func Forage(rows []Row, w Work) []canbus.Frame {
	var s sender
	for i, row := range rows {
		end := row.Stamp + int64(time.Second)
		if i+1 < len(rows) {
			end = min(rows[i+1].Stamp, row.Stamp+int64(3*time.Second))
		}
		for at := row.Stamp; at < end; at += int64(twiceASecond) {
			s.at = at
			s.touch()
			s.engine(row.values["engine_rpm"], row.values["engine_load_pct"], row.values["fuel_l_h"], row.values["speed_km_h"])
			if w.State {
				s.value(2, 141, row.values["work_state"])
				s.value(2, 67, row.values["working_width_m"]*1000)
			}
			if float64(row.Second) < w.FlowUntil {
				s.value(1, 87, row.values["mass_flow_kg_s"]*1e6*ForageFlow)
			}
			s.position(row.values["lat_deg"], row.values["lon_deg"])
		}
	}
	return s.frames
}

// ForageFlow is the share of the forage harvester's flow that Forage sends.
const ForageFlow = 0.25

// PointsFlowDelay is how much later than its point Points sends the grain
// flow, in s: the points carry it where it was cut, a sensor feels it later.
const PointsFlowDelay = 12

// Points turns the rows of the harvest points into frames, and gives each row
// its second. The table has no engine speed.
func Points(rows []Row, w Work) []canbus.Frame {
	const lbS, mph, ft = 0.45359237, 1.609344, 0.3048
	var s sender
	second := 0
	for i := range rows {
		rows[i].Second = second
		rows[i].Stamp = 1_530_000_000_000_000_000 + int64(second)*int64(time.Second)
		second += max(1, int(rows[i].values["duration_s"]))
	}
	late := 0
	for i := range rows {
		row := &rows[i]
		for late+1 < len(rows) && rows[late+1].Second <= row.Second-PointsFlowDelay {
			late++
		}
		for half := range int64(2) {
			s.at = row.Stamp + half*int64(twiceASecond)
			s.touch()
			s.engine(math.NaN(), row.values["engine_load_pct"], row.values["fuel_gal_h"]*3.785412, row.values["speed_mph"]*mph)
			if w.State {
				s.value(2, 141, 1)
				s.value(2, 67, row.values["swath_ft"]*ft*1000)
			}
			if float64(row.Second) < w.FlowUntil {
				s.value(1, 87, rows[late].values["flow_lb_s"]*lbS*1e6)
			}
			const metres = 111_195
			s.position(47+row.values["y_m"]/metres, -110+row.values["x_m"]/metres/math.Cos(47*math.Pi/180))
		}
	}
	return s.frames
}
