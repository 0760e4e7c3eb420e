package decode

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

const second = signal.Instant(time.Second)

// bus feeds frames to a decoder and keeps the newest reading of each signal.
type bus struct {
	*testing.T
	*Decoder
	table signal.Table
	now   signal.Instant
}

func newBus(t *testing.T, s Settings) *bus {
	return &bus{T: t, Decoder: mustNew(t, s)}
}

func (b *bus) frame(id, data string) []Update {
	f := canbus.Frame{ID: idOf(id), Flags: canbus.Extended, At: b.now}
	f.Len = uint8(copy(f.Data[:], bytesOf(data)))
	return b.keep(b.Decode(&f))
}

func (b *bus) keep(updates []Update) []Update {
	for _, u := range updates {
		b.table.Set(u.ID, u.Reading)
	}
	return updates
}

// claims says that the node with a NAME has an address from now on.
func (b *bus) claims(address uint8, name j1939.Name) {
	c := j1939.AddressChange{At: b.now, Name: name, From: j1939.NullAddress, To: address}
	for a := range uint8(j1939.NullAddress) {
		if b.Named(0, a) == name {
			c.From = a
		}
	}
	b.keep(b.Follow(c))
}

// value sends a process data value from an address to another.
func (b *bus) value(from, to uint8, element, ddi uint16, value int32) {
	var f canbus.Frame
	f.ID, f.Flags, f.At, f.Len = 0x0CCB0000|uint32(to)<<8|uint32(from), canbus.Extended, b.now, 8
	binary.LittleEndian.PutUint16(f.Data[:], element<<4|3)
	binary.LittleEndian.PutUint16(f.Data[2:], ddi)
	binary.LittleEndian.PutUint32(f.Data[4:], uint32(value))
	b.keep(b.Decode(&f))
}

func (b *bus) want(id signal.ID, value float64, route string) {
	b.Helper()
	r := b.table.Get(id)
	if r.Quality != signal.Good || math.Abs(r.Value-value) > 1e-6 {
		b.Errorf("%s is %v (%v), want %v", id, r.Value, r.Quality, value)
	}
	if got := b.RouteName(r.From.Route); got != route {
		b.Errorf("%s comes by %q, want %q", id, got, route)
	}
}

func (b *bus) wantQuality(id signal.ID, q signal.Quality) {
	b.Helper()
	if r := b.table.Get(id); r.Quality != q {
		b.Errorf("%s is %v (%v), want %v", id, r.Value, r.Quality, q)
	}
}

func TestStandardMessages(t *testing.T) {
	b := newBus(t, Settings{})
	// Frames of testdata/bus-vectors.csv, in our units.
	b.frame("0CF00400", "207D87481400F087")
	b.want(signal.EngineSpeed.ID, 649, "PGN 61444 SPN 190")
	b.want(signal.EngineTorque.ID, 10.25, "PGN 61444 SPN 513") // 10 % and the fraction 0.25 %
	b.frame("0CF00300", "D1FA6EFFFFFFFAFF")
	b.want(signal.EngineLoad.ID, 110, "PGN 61443 SPN 92")
	b.frame("18FEF200", "A003FFFFFFFFFFFF")
	b.want(signal.FuelRate.ID, 46.4, "PGN 65266 SPN 183")
	b.frame("18FEEE00", "423BFFFFFFFFFFFF")
	b.want(signal.Coolant.ID, 26, "PGN 65262 SPN 110")
	b.frame("0CFE46F0", "7D407DFFFFFFFFFF")
	b.want(signal.HeaderWorking.ID, 1, "PGN 65094 SPN 1876")
	b.frame("18FEE81C", "002D800980644051")
	b.want(signal.Heading.ID, 90, "PGN 65256 SPN 165")
	b.want(signal.GroundSpeed.ID, 9.5, "PGN 65256 SPN 517")
	b.want(signal.Pitch.ID, 1, "PGN 65256 SPN 583")
	b.want(signal.Altitude.ID, 100, "PGN 65256 SPN 580")
	b.frame("09F80140", "3B349816CCEA08B7")
	b.want(signal.Latitude.ID, 37.9073595, "PGN 129025")
	b.want(signal.Longitude.ID, -122.4152372, "PGN 129025")
	b.frame("19F80252", "9BFC10272002FFFF")
	b.want(signal.GroundSpeed.ID, 5.44*3.6, "PGN 129026")
	b.frame("0CFE48F0", "FFFFFFFFFFFFFFFF")
	b.wantQuality(signal.GroundSpeed.ID, signal.Good) // a lesser source has nothing to say
}

func TestPositionsThatAreNone(t *testing.T) {
	for name, f := range map[string][2]string{
		"not available":             {"09F80124", "FFFFFF7FFFFFFF7F"},
		"zero and zero":             {"09F80124", "0000000000000000"},
		"latitude over 90":          {"09F80124", "00CA9A3BCCEA08B7"}, // 100 degrees
		"J1939, raw 0":              {"18FEF31C", "0000000000000000"},
		"J1939, not available":      {"18FEF31C", "FFFFFFFFFFFFFFFF"},
		"longitude alone available": {"09F80124", "FFFFFF7FCCEA08B7"},
		"three bytes":               {"09F80124", "3B3498"},
	} {
		b := newBus(t, Settings{})
		b.frame(f[0], f[1])
		for _, id := range []signal.ID{signal.Latitude.ID, signal.Longitude.ID} {
			if r := b.table.Get(id); r.Quality == signal.Good || r.Quality == signal.Missing {
				t.Errorf("%s: %s is %v (%v)", name, id, r.Value, r.Quality)
			}
		}
	}
}

// At a stand the course over ground is noise.
func TestCourseNeedsSpeed(t *testing.T) {
	b := newBus(t, Settings{})
	b.frame("19F80252", "9BFC10273200FFFF") // 0.50 m/s
	b.want(signal.Heading.ID, 180/math.Pi, "PGN 129026")
	b.frame("19F80252", "9BFC10273100FFFF") // 0.49 m/s
	b.wantQuality(signal.Heading.ID, signal.NotAvailable)
	b.frame("09F11240", "FF1027FF7FFF7FFC")
	b.want(signal.Heading.ID, 180/math.Pi, "PGN 127250")
}

func TestFramesThatAreNotJ1939(t *testing.T) {
	b := newBus(t, Settings{})
	for _, flags := range []canbus.Flags{0, canbus.Extended | canbus.Remote, canbus.ErrorFrame, canbus.Extended | canbus.ErrorFrame, canbus.Extended | canbus.FD} {
		f := canbus.Frame{ID: 0x0CF00400, Flags: flags, Len: 8, Data: [8]byte(bytesOf("207D87481400F087"))}
		if n := len(b.Decode(&f)); n != 0 {
			t.Errorf("flags %b: %d updates", flags, n)
		}
	}
	f := canbus.Frame{ID: 0x0FF00400, Flags: canbus.Extended, Len: 8}
	if n := len(b.Decode(&f)); n != 0 { // both page bits set: ISO 15765-3
		t.Errorf("ISO 15765-3: %d updates", n)
	}
}

func TestSimulatedSpeedIsNoSpeed(t *testing.T) {
	b := newBus(t, Settings{})
	b.now = second
	b.frame("0CF02246", "A00F6EBC0E001E31") // source 4
	b.wantQuality(signal.GroundSpeed.ID, signal.NotAvailable)
	if b.Simulated() != second {
		t.Errorf("simulated at %d", b.Simulated())
	}
	b.frame("0CF02246", "A00F6EBC0E001E25") // source 1
	b.want(signal.GroundSpeed.ID, 14.4, "PGN 61474 SPN 4305")
}

// A machine with a receiver tells two times by turns, each about once a second.
func TestAReceiversTimeKeepsTheMachinesOwnOut(t *testing.T) {
	b := newBus(t, Settings{})
	const own, receiver = "18FEE6F0", "0DF01024"
	tell := func(at signal.Instant, frame, data string, want j1939.PGN) {
		t.Helper()
		b.now = at
		b.frame(frame, data)
		if c := b.Clock(); c.PGN != want {
			t.Errorf("at %v s the time is that of PGN %d", float64(at)/float64(second), c.PGN)
		}
	}
	// Both are vectors of testdata/bus-vectors.csv.
	tell(1*second, own, "A43116081C267D78", j1939.TimeDate)
	tell(2*second, receiver, "10F0F13A21470F16", j1939.SystemTime)
	tell(3*second, own, "A43116081C267D78", j1939.SystemTime)
	tell(11*second, own, "A43116081C267D78", j1939.SystemTime)
	tell(12*second, own, "A43116081C267D78", j1939.TimeDate) // the receiver is away
	tell(13*second, receiver, "10F0F13A21470F16", j1939.SystemTime)
}

func TestMessagesOfSeveralFrames(t *testing.T) {
	b := newBus(t, Settings{})
	// canboat's analyzer/tests/recombine-frames, see bus-vectors.csv.
	fix := bytesOf("E7953D0073D62900DA0473DBC9E505807D02285FD610F69B506C050000000013FC086F00BE00DDF2FFFF00")
	b.keep(b.DecodeMessage(j1939.GNSSPosition, 0, 3, 255, fix, b.now))
	b.want(signal.Latitude.ID, 42.4967684, "PGN 129029")
	if c := b.Clock(); !c.Known || c.UTC.Format(time.DateTime) != "2013-03-01 19:29:52" {
		t.Errorf("clock %+v", c)
	}
	simulated := append([]byte(nil), fix...)
	simulated[31] = simulated[31]&15 | 8<<4
	b.now = second
	b.keep(b.DecodeMessage(j1939.GNSSPosition, 0, 3, 255, simulated, b.now))
	b.wantQuality(signal.Latitude.ID, signal.NotAvailable)
	if b.Simulated() != b.now {
		t.Error("a simulated position is not noted")
	}

	// EC1 and EEC3 of bus-vectors.csv; the engine is the one whose torque is used.
	b.frame("0CF00400", "207D87481400F087")
	b.DecodeMessage(j1939.EngineConfiguration, 0, 0, 255, bytesOf("901AA5A041D2A028DCE02EE14038DFC044FFFF6608FFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFF"), b.now)
	b.frame("18FEDF00", "8A803EC8FFFFFFFF")
	e, ok := b.Engine()
	if !ok || e.ReferenceNm != 2150 || e.FrictionPct != 13 || len(e.Curve) != 5 || e.Curve[1] != (CurvePoint{2100, 85}) || e.HighIdle != 2200 {
		t.Errorf("%+v", e)
	}
	for n := range 39 {
		b.DecodeMessage(j1939.EngineConfiguration, 0, 7, 255, make([]byte, n), b.now)
	}
}

func TestClaimsMoveWhatWasLearned(t *testing.T) {
	b := newBus(t, Settings{})
	b.frame("0CFE4945", "A00F6EBC0E00FF01")
	b.claims(0x45, 1)
	b.frame("0CFE4945", "A00F6EBC0E00FF01")
	b.frame("0CFE4846", "A00F6EBC0E00C855")
	b.want(signal.GroundSpeed.ID, 14.4, "PGN 65097 SPN 1859")
	b.claims(0x45, 2) // another node took the address
	b.frame("0CFE4846", "A00F6EBC0E00C855")
	b.want(signal.GroundSpeed.ID, 14.4, "PGN 65096 SPN 1862")
	b.frame("18FECA45", "04FFD0050102FFFF")
	b.frame("18FECA45", "04FFD0050102FFFF")
	if len(b.Faults(b.now)) != 1 {
		t.Error("no fault")
	}
	b.claims(0x45, 3)
	if len(b.Faults(b.now)) != 0 {
		t.Error("the new node has the old one's fault")
	}
	b.claims(0x45, 2)
	if b.Named(0, 0x45) != 2 {
		t.Errorf("NAME %x", b.Named(0, 0x45))
	}
}

func TestResetForgetsWhatWasHeard(t *testing.T) {
	b := newBus(t, Settings{})
	b.now = 1000 * second
	b.frame("0CF02246", "A00F6EBC0E001E25")
	b.frame("18FECA07", "04FFD0050102FFFF")
	b.frame("18FECA07", "04FFD0050102FFFF")
	b.Reset()
	if _, ok := b.Source(signal.GroundSpeed.ID); ok || len(b.Faults(b.now)) != 0 || b.LastHeard(signal.Source{Address: 0x46}) != signal.Never {
		t.Error("something is left")
	}
	b.now = 0
	b.frame("18FEF128", "FF000AFFFFFFFFFF")
	b.want(signal.GroundSpeed.ID, 10, "PGN 65265 SPN 84")
}
