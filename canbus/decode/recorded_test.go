package decode

import (
	"bufio"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// canboatNames maps canboat's names of fields to SPNs, for the messages that
// both of us decode. Of those left out it is said why.
var canboatNames = map[string]uint32{
	"Engine Torque Mode": 899, "Actual Engine - Percent Torque High Resolution": 4154,
	"Driver's Demand Engine - Percent Torque": 512, "Actual Engine - Percent Torque": 513, "Engine RPM": 190,
	"Source Address of Controlling Device for Engine Control": 1483, "Engine Starter Mode": 1675, "Engine Demand - Percent Torque": 2432,

	"Accelerator Pedal 1 Low Idle Switch": 558, "Accelerator Pedal Kickdown Switch": 559, "Road Speed Limit Status": 1437,
	"Accelerator Pedal 2 Low Idle Switch": 2970, "Accelerator Pedal Position 1": 91, "Engine Percent Load At Current Speed": 92,
	"Remote Accelerator Pedal Position": 974, "Accelerator Pedal Position 2": 29, "Actual Maximum Available Engine - Percent Torque": 3357,

	"Fuel Rate": 183, "Instantaneous Fuel Economy": 184, "Average Fuel Economy": 185, "Throttle Position": 51,
	"Engine Coolant Temp": 110, "Engine Fuel Temp 1": 174, "Engine Oil Temp 1": 175, "Engine Turbocharger Oil Temp": 176,
	"Engine Intercooler Temp": 52, "Engine Intercooler Thermostat Opening": 1134,
	"Barometric Pressure": 108, "Battery Voltage": 168,

	// Not in our table of EEC2: no signal needs them.
	"Vehicle Acceleration Rate Limit Status": 0, "Momentary Engine Maximum Power Enable": 0, "Estimated Pumping - Percent Torque": 0,
}

// signedTorque are the torques that canboat 6 reads as signed bytes: its FF is
// "-1 %". SAE J1939-71 gives them an offset of -125 % and FF is not available.
var signedTorque = map[uint32]bool{512: true, 513: true, 2432: true}

// TestAgainstCanboat compares every field of an outboard engine's log with
// what canboat's own test says of it
// (testdata/real/check/canboat-j1939-pgn-test, Apache-2.0).
func TestAgainstCanboat(t *testing.T) {
	in := readLines(t, "../../testdata/real/check/canboat-j1939-pgn-test.in")
	out := readLines(t, "../../testdata/real/check/canboat-j1939-pgn-test.out")
	if len(in) != len(out) || len(in) < 800 {
		t.Fatalf("%d frames and %d answers", len(in), len(out))
	}
	compared := map[j1939.PGN]int{}
	for i := range in {
		id, payload := screenLine(t, in[i])
		answer := out[i][strings.Index(out[i], "Z ")+2:]
		head, body, _ := strings.Cut(answer, ":  ")
		words := strings.Fields(head)
		var numbers [4]uint64
		for j := range numbers {
			numbers[j], _ = strconv.ParseUint(words[j], 10, 32)
		}
		if uint64(id.Priority) != numbers[0] || uint64(id.Source) != numbers[1] || uint64(id.Destination) != numbers[2] || uint64(id.PGN) != numbers[3] {
			t.Fatalf("line %d: identifier %+v, canboat says %v", i+1, id, numbers)
		}
		switch id.PGN {
		case 65270: // intake and exhaust conditions: not in our tables
			continue
		case j1939.AddressClaimed: // the words of its answer are canboat's; the numbers are in bus-vectors.csv
			continue
		case j1939.DM1:
			const none = "Malfunction Lamp Status = 00; Red Stop Lamp Status = 00; Amber Warning Lamp Status = 00; Protect Lamp Status = 00; SPN 1 = 00 00 00; FMI 1 = 00; CM 1 = 00; OC 1 = 00; SPN 2 = FF FF"
			d, ok := j1939.ParseDiagnostic(payload, make([]j1939.Code, 0, 4))
			if body != none || !ok || len(d.Codes) != 1 || !d.Codes[0].None() || d.Lamps != (j1939.Lamps{}) {
				t.Errorf("line %d: %q, read as %+v", i+1, body, d)
			}
			compared[id.PGN]++
			continue
		}
		for _, part := range strings.Split(body, "; ") {
			name, want, _ := strings.Cut(part, " = ")
			spn, known := canboatNames[name]
			if !known {
				t.Fatalf("line %d: PGN %d: nothing is said of %q", i+1, id.PGN, name)
			}
			if spn == 0 {
				continue
			}
			f := j1939.Lookup(id.PGN).Field(spn)
			if f == nil {
				t.Fatalf("PGN %d has no SPN %d", id.PGN, spn)
			}
			got, q := f.Read(payload)
			compared[id.PGN]++
			number, unit, _ := strings.Cut(want, " ")
			if signedTorque[spn] && want == "-1 %" {
				if q != signal.NotAvailable {
					t.Errorf("line %d: SPN %d is %v (%v), want not available", i+1, spn, got, q)
				}
				continue
			}
			if want == "Unknown" {
				if q != signal.NotAvailable {
					t.Errorf("line %d: SPN %d is %v (%v), want not available", i+1, spn, got, q)
				}
				continue
			}
			value, err := strconv.ParseFloat(number, 64)
			if err != nil {
				t.Fatal(err)
			}
			if unit == "bar" {
				value *= 100 // kPa
			}
			if q != signal.Good || math.Abs(got-value) > 0.05+1e-9 { // canboat prints at least one decimal
				t.Errorf("line %d: SPN %d is %v (%v), canboat says %s", i+1, spn, got, q, want)
			}
		}
	}
	for _, pgn := range []j1939.PGN{j1939.EEC1, j1939.EEC2, j1939.FuelEconomy, j1939.DM1, j1939.EngineTemperature, 65269, 65271} {
		if compared[pgn] == 0 {
			t.Errorf("nothing was compared for PGN %d", pgn)
		}
	}
	t.Logf("values compared, by PGN: %v", compared)
}

func readLines(t *testing.T, path string) []string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var lines []string
	s := bufio.NewScanner(f)
	for s.Scan() {
		lines = append(lines, s.Text())
	}
	if err := s.Err(); err != nil {
		t.Fatal(err)
	}
	return lines
}

// screenLine reads a line as candump shows it on the screen.
func screenLine(t *testing.T, line string) (j1939.Identifier, []byte) {
	t.Helper()
	w := strings.Fields(line)
	id, ok := j1939.ParseID(idOf(w[1]))
	b, err := hex.DecodeString(strings.Join(w[3:], ""))
	if !ok || err != nil {
		t.Fatalf("%q: %v", line, err)
	}
	return id, b
}

// playLog decodes a log and calls see for each frame.
func playLog(t testing.TB, d *Decoder, path string, see func(*canbus.Frame, []Update)) int {
	t.Helper()
	l, err := canbus.OpenLogs(path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var line canbus.Timeline
	reassembler := j1939.NewReassembler()
	batch := make([]canbus.Frame, 256)
	frames := 0
	for {
		n, err := l.Read(batch)
		for i := range batch[:n] {
			f := &batch[i]
			line.Place(f)
			see(f, d.Decode(f))
			if m, ok := reassembler.Feed(f, f.At); ok {
				see(f, d.DecodeMessage(m.PGN, m.Interface, m.Source, m.Destination, m.Payload, m.Last))
			}
		}
		frames += n
		if errors.Is(err, io.EOF) {
			return frames
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

const recordings = "../../testdata/real/can/"

// In this recording of a heavy vehicle's controllers, engine off, every speed,
// load, rate and road speed of EEC1, EEC2, CCVS and LFE is not available, as the
// description of the recording says. One value of EEC1 is not: byte 3, the
// torque, is 0x84 in all 1116 frames, with the fraction 5: 7 % + 0.625 %.
func TestValuesNotAvailableStaySo(t *testing.T) {
	d := mustNew(t, Settings{})
	seen := map[signal.ID]int{}
	frames := playLog(t, d, recordings+"truck-busy-bus-values-not-available.log.gz", func(f *canbus.Frame, updates []Update) {
		for _, u := range updates {
			seen[u.ID]++
			switch u.ID {
			case signal.EngineTorque.ID:
				if u.Reading.Quality != signal.Good || u.Reading.Value != 7.625 {
					t.Fatalf("torque %v (%v)", u.Reading.Value, u.Reading.Quality)
				}
			case signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.FuelRate.ID, signal.GroundSpeed.ID:
				if u.Reading.Quality == signal.Good {
					t.Fatalf("%08X#%X gives %s = %v", f.ID, f.Data, u.ID, u.Reading.Value)
				}
				if u.Reading.Value != 0 {
					t.Fatalf("%s is not Good but has the value %v", u.ID, u.Reading.Value)
				}
			}
		}
	})
	if frames != 35876 {
		t.Errorf("%d frames, the recording has 35876", frames)
	}
	for _, id := range []signal.ID{signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.FuelRate.ID, signal.GroundSpeed.ID} {
		if seen[id] == 0 {
			t.Errorf("%s was not heard", id)
		}
	}
	// The codes that the description lists: single frames of two nodes, and
	// fifteen broadcasts of five codes of node 0.
	var got []string
	for _, c := range d.Faults(d.faults.codes[0].heard) {
		got = append(got, strconv.Itoa(int(c.Source.Address))+":"+strconv.Itoa(int(c.SPN))+"-"+strconv.Itoa(int(c.FMI)))
	}
	want := "0:111-4 0:625-8 0:1483-2 0:1483-12 0:520222-12 37:524232-31 152:273406-31"
	if strings.Join(got, " ") != want {
		t.Errorf("active codes %v, want %s", got, want)
	}
}

// A real tractor: engine off, start, idle near 1010 rpm, up to 1256.25 rpm,
// fuel rate to 6.25 L/h, standing, ground-based speed not available
// (description of the recording).
func TestTractorStartAndRev(t *testing.T) {
	d := mustNew(t, Settings{})
	var highest [signal.Count]float64
	var good [signal.Count]int
	playLog(t, d, recordings+"tractor-start-and-rev.log", func(f *canbus.Frame, updates []Update) {
		for _, u := range updates {
			if u.Reading.Quality == signal.Good {
				good[u.ID]++
				highest[u.ID] = max(highest[u.ID], u.Reading.Value)
			}
			if u.ID == signal.GroundSpeed.ID && d.RouteName(u.Reading.From.Route) == "PGN 65097 SPN 1859" && u.Reading.Quality == signal.Good {
				t.Fatalf("ground-based speed of FF bytes is %v", u.Reading.Value)
			}
		}
	})
	for id, want := range map[signal.ID]float64{
		signal.EngineSpeed.ID: 1256.25, signal.EngineLoad.ID: 100, signal.FuelRate.ID: 6.25, signal.GroundSpeed.ID: 0, signal.Coolant.ID: 31,
	} {
		if good[id] == 0 || math.Abs(highest[id]-want) > 1e-9 {
			t.Errorf("%s: %d good readings up to %v, want up to %v", id, good[id], highest[id], want)
		}
	}
	if from, ok := d.Source(signal.GroundSpeed.ID); !ok || d.RouteName(from.Route) != "PGN 65265 SPN 84" {
		t.Errorf("ground speed comes by %s", d.RouteName(from.Route))
	}
	e, ok := d.Engine()
	if !ok || !e.ReferenceKnown || e.ReferenceNm < 50 || e.ReferenceNm > 2000 {
		t.Errorf("engine configuration of 34 bytes: %+v", e)
	}
	if len(d.Faults(d.heard[0][0])) != 0 {
		t.Errorf("faults on a machine that has none: %+v", d.Faults(d.heard[0][0]))
	}
	t.Logf("engine: %.0f Nm at 100 %%, curve %v", e.ReferenceNm, e.Curve)
}

func mustNew(t testing.TB, s Settings) *Decoder {
	t.Helper()
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A boat at its berth: speed over ground below 1.1 m/s (description of the
// recording), and a position that moves by metres at most.
func TestBoatAtItsBerth(t *testing.T) {
	d := mustNew(t, Settings{})
	lowest, highest, good := [signal.Count]float64{}, [signal.Count]float64{}, [signal.Count]int{}
	playLog(t, d, recordings+"boat-n2k-one-minute.log.gz", func(f *canbus.Frame, updates []Update) {
		for _, u := range updates {
			if v := u.Reading.Value; u.Reading.Quality == signal.Good {
				if good[u.ID] == 0 {
					lowest[u.ID], highest[u.ID] = v, v
				}
				good[u.ID]++
				lowest[u.ID], highest[u.ID] = min(lowest[u.ID], v), max(highest[u.ID], v)
			}
		}
	})
	speed, lat, lon := signal.GroundSpeed.ID, signal.Latitude.ID, signal.Longitude.ID
	if good[speed] < 100 || highest[speed] >= 1.1*3.6 {
		t.Errorf("%d speeds up to %v km/h", good[speed], highest[speed])
	}
	if good[lat] < 100 || highest[lat]-lowest[lat] > 0.0002 || highest[lon]-lowest[lon] > 0.0004 {
		t.Errorf("%d positions from %v, %v to %v, %v", good[lat], lowest[lat], lowest[lon], highest[lat], highest[lon])
	}
	if !d.Clock().Known {
		t.Error("the bus told no time")
	}
	for id := range good {
		if good[id] > 0 {
			t.Logf("%s: %d good, %v to %v", signal.ID(id), good[id], lowest[id], highest[id])
		}
	}
}
