package decode

import (
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// The rows of testdata/bus-vectors.csv name their source each: unit tests and
// samples of public libraries, or "computed by hand" from the standards'
// tables. Every row must be covered here or be named as covered elsewhere.

type vector struct {
	line                          int
	id, data, signal, want, units string
}

// covered says which check reads a row, by the row's signal.
var covered = []struct {
	signal string // the whole name, or a beginning that ends in *
	check  func(vector) error
}{
	{"id", checkID},
	{"range indicator*", checkIndicator},
	{"NAME", checkName},
	{"SPN*", checkField},
	{"in work state", checkField},
	{"ready to work state", checkField},
	{"park state", checkField},
	{"transport state", checkField},
	{"ECU power", checkField},
	{"actuator power", checkField},
	{"extend pressure", checkField},
	{"extend flow", checkField},
	{"return pressure", checkField},
	{"129025 latitude", checkField},
	{"129025 longitude", checkField},
	{"129026 COG", checkField},
	{"129026 SOG", checkField},
	{"126992 system time", checkSystemTime},
	{"126992 source", checkSystemTime},
	{"time/date", checkTimeDate},
	{"language command", checkLanguage},
	{"DM1", checkDiagnostic},
	{"DM2", checkDiagnostic},
	{"DM1 over BAM*", checkTransported},
	{"DM2 over BAM*", checkTransported},
	{"EC1 over BAM*", checkTransported},
	{"129029 fast packet", checkTransported},
	{"process data", checkProcessData},
	{"task controller status", checkProcessData},
	{"task controller version", checkVersion},
	{"DDOP object", checkObject},
	{"TLG binary record", checkTimeRecord},
}

// elsewhere are the rows of transport sessions alone: canbus/j1939 checks them
// in its transport tests.
var elsewhere = []string{"TP BAM*", "TP RTS/CTS*", "commanded address over BAM", "two interleaved BAMs", "ETP"}

func named(name, pattern string) bool {
	if p, ok := strings.CutSuffix(pattern, "*"); ok {
		return strings.HasPrefix(name, p)
	}
	return name == pattern
}

func TestBusVectors(t *testing.T) {
	f, err := os.Open("../../testdata/bus-vectors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checked, left := 0, 0
rows:
	for i, r := range rows[1:] {
		v := vector{i + 2, r[0], r[1], r[2], r[3], r[4]}
		for _, c := range covered {
			if !named(v.signal, c.signal) {
				continue
			}
			checked++
			if err := c.check(v); err != nil {
				t.Errorf("line %d, %s %s#%s (%s): %v", v.line, v.signal, v.id, v.data, r[5], err)
			}
			continue rows
		}
		for _, e := range elsewhere {
			if named(v.signal, e) {
				left++
				continue rows
			}
		}
		t.Errorf("line %d: no check reads %q", v.line, v.signal)
	}
	t.Logf("%d rows checked, %d belong to other tests", checked, left)
	if checked < 180 {
		t.Errorf("only %d rows were checked", checked)
	}
}

func bytesOf(text string) []byte {
	b, err := hex.DecodeString(text)
	if err != nil {
		panic(err)
	}
	return b
}

func idOf(text string) uint32 {
	n, err := strconv.ParseUint(text, 16, 32)
	if err != nil {
		panic(err)
	}
	return uint32(n)
}

func same(got, want string) error {
	if got != want {
		return fmt.Errorf("got  %q\nwant %q", got, want)
	}
	return nil
}

func checkID(v vector) error {
	i, ok := j1939.ParseID(idOf(v.id))
	if !ok {
		return fmt.Errorf("not taken for a parameter group")
	}
	da := strconv.Itoa(int(i.Destination))
	if i.PGN.Broadcast() {
		da = "global (PDU2)"
	}
	return same(fmt.Sprintf("prio=%d pgn=%d sa=%d da=%s", i.Priority, i.PGN, i.Source, da), v.want)
}

func checkIndicator(v vector) error {
	var bits, start int
	if _, err := fmt.Sscanf(v.signal, "range indicator, %d bits at bit %d", &bits, &start); err != nil {
		return err
	}
	raw := binary.LittleEndian.Uint64(bytesOf(v.data)) >> start & (1<<bits - 1)
	return same(j1939.Ranges.Indicate(raw, uint8(bits)).String(), v.want)
}

func checkName(v vector) error {
	n, ok := j1939.ParseName(bytesOf(v.data))
	if !ok {
		return fmt.Errorf("no NAME")
	}
	aac := 0
	if n.SelfConfigurable() {
		aac = 1
	}
	parts := map[string]int{
		"identity": int(n.Identity()), "mfr": int(n.Manufacturer()), "ecu_inst": int(n.ECUInstance()),
		"func_inst": int(n.FunctionInstance()), "function": int(n.Function()), "device_class": int(n.Class()),
		"class_inst": int(n.ClassInstance()), "industry_group": int(n.Group()), "aac": aac,
	}
	for _, word := range strings.Fields(v.want) {
		key, value, _ := strings.Cut(word, "=")
		got, ok := parts[key]
		if !ok {
			return fmt.Errorf("no part is called %q", key)
		}
		if err := same(strconv.Itoa(got), value); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	return nil
}

// fieldOf finds the field that a row is about.
func fieldOf(v vector) *j1939.Field {
	i, _ := j1939.ParseID(idOf(v.id))
	m := j1939.Lookup(i.PGN)
	if rest, ok := strings.CutPrefix(v.signal, "SPN"); ok {
		spn, _, _ := strings.Cut(rest, " ")
		n, _ := strconv.Atoi(spn)
		return m.Field(uint32(n))
	}
	name := v.signal
	if number, rest, ok := strings.Cut(name, " "); ok && number == strconv.Itoa(int(i.PGN)) {
		name = map[string]string{"COG": "course over ground", "SOG": "speed over ground"}[rest]
		if name == "" {
			name = rest
		}
	}
	return m.Named(name)
}

func checkField(v vector) error {
	f := fieldOf(v)
	if f == nil {
		return fmt.Errorf("no such field in the table")
	}
	unit := f.Unit
	if unit == "Cel" {
		unit = "degC"
	}
	if err := same(unit, v.units); err != nil {
		return fmt.Errorf("unit: %w", err)
	}
	payload := bytesOf(v.data)
	got, q := f.Read(payload)
	frame, fq := f.ReadFrame(binary.LittleEndian.Uint64(payload), 8)
	if frame != got || fq != q {
		return fmt.Errorf("ReadFrame gives %v %v, Read gives %v %v", frame, fq, got, q)
	}
	if v.want == "not available" {
		return same(q.String(), "not-available")
	}
	want, err := strconv.ParseFloat(v.want, 64)
	if err != nil {
		return err
	}
	if q != signal.Good || math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
		return fmt.Errorf("got %v (%v), want %v", got, q, want)
	}
	return nil
}

func checkSystemTime(v vector) error {
	utc, source, ok := j1939.ParseSystemTime(bytesOf(v.data))
	if !ok {
		return fmt.Errorf("no time")
	}
	if v.signal == "126992 source" {
		return same(fmt.Sprintf("%d (GPS)", source), v.want)
	}
	return same(utc.Format("2006-01-02 15:04:05.0000"), v.want)
}

func checkTimeDate(v vector) error {
	b, ok := j1939.ParseTimeDate(bytesOf(v.data))
	if !ok || !b.OffsetKnown {
		return fmt.Errorf("no time or no offset")
	}
	return same(fmt.Sprintf("%s UTC, local offset %+d h %+d min, quarter %d",
		b.UTC.Format("2006-01-02 15:04:05.00"), b.OffsetHours, b.OffsetMinutes, b.Quarter), v.want)
}

func checkLanguage(v vector) error {
	l, ok := j1939.ParseLanguage(bytesOf(v.data))
	if !ok {
		return fmt.Errorf("no language")
	}
	decimal, clock := "comma", "24h"
	if l.DecimalPoint {
		decimal = "point"
	}
	if l.Hours12 {
		clock = "12h"
	}
	dates := [...]string{"ddmmyyyy", "ddyyyymm", "mmyyyydd", "mmddyyyy", "yyyymmdd", "yyyyddmm"}
	return same(fmt.Sprintf("lang=%s decimal=%s time=%s date=%s distance=%d area=%d volume=%d mass=%d temp=%d pressure=%d force=%d units=%d country=%s",
		l.Language, decimal, clock, dates[l.DateFormat], l.Distance, l.Area, l.Volume, l.Mass, l.Temperature, l.Pressure, l.Force, l.UnitSystem, l.Country), v.want)
}

func checkDiagnostic(v vector) error {
	d, ok := j1939.ParseDiagnostic(bytesOf(v.data), make([]j1939.Code, 0, 8))
	if !ok || len(d.Codes) != 1 {
		return fmt.Errorf("%d codes", len(d.Codes))
	}
	c, cm := d.Codes[0], 0
	if c.OldPacking {
		cm = 1
	}
	return same(fmt.Sprintf("mil=%d red=%d amber=%d protect=%d | SPN %d FMI %d OC %d CM %d",
		d.Lamps.Malfunction, d.Lamps.Stop, d.Lamps.Warning, d.Lamps.Protect, c.SPN, c.FMI, c.Count, cm), v.want)
}

// reassemble feeds the frames of a row.
func reassemble(v vector) (j1939.Transfer, error) {
	r := j1939.NewReassembler()
	ids, data := strings.Split(v.id, ";"), strings.Split(v.data, ";")
	for i := range ids {
		f := canbus.Frame{ID: idOf(ids[i]), Flags: canbus.Extended, Len: 8, Data: [8]byte(bytesOf(data[i]))}
		if m, ok := r.Feed(&f, signal.Instant(i)*signal.Instant(1e6)); ok {
			return m, nil
		}
	}
	return j1939.Transfer{}, fmt.Errorf("no message was delivered")
}

func checkTransported(v vector) error {
	m, err := reassemble(v)
	if err != nil {
		return err
	}
	_, content, _ := strings.Cut(v.want, " | ")
	var got []string
	switch m.PGN {
	case j1939.DM1, j1939.DM2:
		d, ok := j1939.ParseDiagnostic(m.Payload, make([]j1939.Code, 0, 8))
		if !ok {
			return fmt.Errorf("not read as a diagnostic message")
		}
		for _, c := range d.Codes {
			got = append(got, fmt.Sprintf("SPN %d FMI %d OC %d", c.SPN, c.FMI, c.Count))
		}
		return same(strings.Join(got, "; "), content)
	case j1939.EngineConfiguration:
		for _, w := range strings.Split(content, "SPN")[1:] {
			var spn uint32
			var want float64
			if _, err := fmt.Sscanf(w, "%d=%f", &spn, &want); err != nil {
				return err
			}
			if value, q := j1939.Lookup(m.PGN).Field(spn).Read(m.Payload); q != signal.Good || value != want {
				return fmt.Errorf("SPN %d: got %v (%v), want %v", spn, value, q, want)
			}
		}
		return nil
	case j1939.GNSSPosition:
		fix, ok := j1939.ParseFix(m.Payload)
		if !ok || !fix.TimeKnown {
			return fmt.Errorf("no fix")
		}
		x := func(name string) float64 {
			value, q := j1939.Lookup(m.PGN).Named(name).Read(m.Payload)
			if q != signal.Good {
				return math.NaN()
			}
			return value
		}
		round := func(value float64, digits int) string {
			p := math.Pow(10, float64(digits))
			return strconv.FormatFloat(math.Round(value*p)/p, 'f', -1, 64)
		}
		return same(fmt.Sprintf("sid=%v when=%s lat=%s lon=%s alt=%s gnss=%v method=%v integrity=%v svs=%v hdop=%s pdop=%s geoid=%s refs=%v",
			x("sequence"), fix.UTC.Format("2006-01-02 15:04:05"), round(x("latitude"), 7), round(x("longitude"), 7), round(x("altitude"), 6),
			x("GNSS system"), x("GNSS method"), x("integrity"), x("satellites used"), round(x("horizontal dilution of precision"), 2),
			round(x("position dilution of precision"), 2), round(x("geoid separation"), 2), x("reference stations")), v.want)
	}
	return fmt.Errorf("delivered PGN %d", m.PGN)
}
