// Package tables turns recorded 1 Hz tables of real machines into bus frames,
// so that the whole path from frame to event can be tested on real harvests.
// It serves tests only.
package tables

import (
	"compress/gzip"
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"time"

	"chaffinch/canbus"
)

// CombineMaps is the configuration that reads the frames made by Combine: the
// values for which no open message exists go into made-up proprietary frames.
const CombineMaps = `
[[map]]
signal = "rotor_speed_rpm"
pgn = 65301
start_bit = 0
length = 16
scale = 0.125

[[map]]
signal = "separation_loss_pct"
pgn = 65302
start_bit = 0
length = 16
scale = 0.01

[[map]]
signal = "cleaning_loss_pct"
pgn = 65302
start_bit = 16
length = 16
scale = 0.01

[[map]]
signal = "returns_pct"
pgn = 65302
start_bit = 32
length = 16
scale = 0.01

[[map]]
signal = "feeder_load_pct"
pgn = 65303
start_bit = 0
length = 16
scale = 0.01
`

// Row is a row of the combine's table: values by column, absent where the
// machine had not sent any yet.
type Row struct {
	Stamp  int64 // nanoseconds since 1970
	Second int
	values map[string]float64
}

// Value is a column's value, if the machine had sent one.
func (r Row) Value(column string) (float64, bool) {
	v, ok := r.values[column]
	return v, ok
}

// ReadRows reads a table, a gzipped CSV with a header line. A table without a
// clock has stamps of 0.
func ReadRows(path string) ([]Row, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	plain, err := gzip.NewReader(file)
	if err != nil {
		return nil, fmt.Errorf("tables: %s: %w", path, err)
	}
	table := csv.NewReader(plain)
	head, err := table.Read()
	if err != nil {
		return nil, fmt.Errorf("tables: %s: %w", path, err)
	}
	var rows []Row
	for {
		record, err := table.Read()
		if err == io.EOF {
			return rows, nil
		}
		if err != nil {
			return nil, fmt.Errorf("tables: %s: %w", path, err)
		}
		row := Row{values: map[string]float64{}}
		for i, text := range record {
			if text == "" {
				continue
			}
			if head[i] == "time_as_recorded" {
				at, err := time.Parse("2006-01-02T15:04:05.999", text)
				if err != nil {
					return nil, fmt.Errorf("tables: %s: %w", path, err)
				}
				row.Stamp = at.UnixNano()
				continue
			}
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return nil, fmt.Errorf("tables: %s: column %s: %w", path, head[i], err)
			}
			row.values[head[i]] = v
		}
		row.Second = int(row.values["t_s"])
		rows = append(rows, row)
	}
}

// processValues says how a column goes out as process data (ISO 11783-11):
// the element, the DDI and how many dictionary units one unit of the column is.
var processValues = []struct {
	column  string
	element uint16
	ddi     uint16
	perUnit float64
}{
	{"header_height_state", 2, 237, 1},
	{"work_state", 2, 141, 1},
	{"unload_state_raw", 1, 240, 1},
	{"working_width_m", 2, 67, 1000},
	{"fuel_l_h", 1, 149, 1e6 / 3600},
	{"wet_mass_flow_kg_s", 1, 87, 1e6},
	{"moisture_pct", 1, 99, 1e4},
	{"fan_rpm", 1, 255, 1000.0 / 60},
	{"concave_mm", 1, 251, 1},
	{"chaffer_mm", 1, 247, 1},
	{"sieve_mm", 1, 243, 1},
}

const (
	client         = 0x87 // the machine's own controller, by our choice
	taskController = 0xF7
)

// Combine turns rows into frames: process data when a value changes, a task
// controller and a client that keep in touch, made-up proprietary frames for
// what no open message carries, and the position as NMEA 2000.
func Combine(rows []Row) []canbus.Frame {
	var frames []canbus.Frame
	last := map[string]float64{}
	for i, row := range rows {
		at := row.Stamp
		send := func(id uint32, data [8]byte) {
			frames = append(frames, canbus.Frame{Stamp: at, ID: id, Len: 8, Flags: canbus.Extended, Data: data})
			at += int64(time.Millisecond) // frames cannot share the wire
		}
		if i%2 == 0 {
			send(0x18CBFF00|taskController, [8]byte{0xFE, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0xFF})
			send(0x18CB0000|taskController<<8|client, [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0})
		}
		for _, p := range processValues {
			v, ok := row.values[p.column]
			if old, known := last[p.column]; !ok || known && old == v {
				continue
			}
			last[p.column] = v
			send(0x0CCB0000|taskController<<8|client, processData(p.element, p.ddi, v*p.perUnit))
		}
		if rpm, ok := row.values["rotor_rpm"]; ok {
			send(0x18FF1500|client, words(rpm/0.125))
		}
		if sep, ok := row.values["separation_loss_pct"]; ok {
			send(0x18FF1600|client, words(sep/0.01, row.values["cleaning_loss_pct"]/0.01, row.values["returns_pct"]/0.01))
		}
		if load, ok := row.values["feeder_load_pct"]; ok {
			send(0x18FF1700|client, words(load/0.01))
		}
		if lat, ok := row.values["lat_deg"]; ok {
			var d [8]byte
			binary.LittleEndian.PutUint32(d[:], uint32(int32(math.Round(lat*1e7))))
			binary.LittleEndian.PutUint32(d[4:], uint32(int32(math.Round(row.values["lon_deg"]*1e7))))
			send(0x09F8011C, d)
		}
	}
	return frames
}

// processData is a value message (ISO 11783-10 command 3).
func processData(element, ddi uint16, value float64) [8]byte {
	var d [8]byte
	d[0] = 3 | byte(element<<4)
	d[1] = byte(element >> 4)
	binary.LittleEndian.PutUint16(d[2:], ddi)
	binary.LittleEndian.PutUint32(d[4:], uint32(int32(math.Round(value))))
	return d
}

// words packs raw values into 16 bits each and fills up with "not available".
func words(raw ...float64) [8]byte {
	d := [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	for i, v := range raw {
		binary.LittleEndian.PutUint16(d[2*i:], uint16(math.Round(v)))
	}
	return d
}
