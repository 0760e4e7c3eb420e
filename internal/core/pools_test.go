package core

import (
	"bytes"
	"encoding/binary"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
)

const combineName = 0xA00E840000000001 // agriculture, harvesters, machine control

var combineLabel = [7]byte{'C', 'H', 'A', 'F', 'F', '0', '1'}

// rotorPool is a pool whose element 5 is a separator that can tell its
// revolutions (ISO 11783-10, layouts of part 10 annex A; DDI 350 and 390).
func rotorPool() []byte {
	var b bytes.Buffer
	text := func(s string) { b.WriteByte(byte(len(s))); b.WriteString(s) }
	number := func(v any) { binary.Write(&b, binary.LittleEndian, v) }
	object := func(kind string, id uint16) { b.WriteString(kind); number(id) }
	object("DVC", 0)
	text("Combine")
	text("1")
	number(uint64(combineName))
	text("7")
	b.Write(combineLabel[:])
	b.Write([]byte{'e', 'n', 0x50, 0, 0x55, 0x55, 0xFF})
	object("DET", 1)
	b.WriteByte(1)
	text("Combine")
	number([]uint16{0, 0, 0})
	object("DET", 2)
	b.WriteByte(2)
	text("Separator")
	number([]uint16{5, 1, 2, 10, 11})
	object("DPT", 10)
	number(uint16(350))
	number(int32(3))
	text("Function")
	number(uint16(0xFFFF))
	object("DPD", 11)
	number(uint16(390))
	b.Write([]byte{1, 1})
	text("Revolutions")
	number(uint16(0xFFFF))
	return b.Bytes()
}

// rotorFrom plays a claim, what else there is, and a rotor at 750 rpm, and
// returns what was heard of the rotor and which pools were new.
func rotorFrom(t *testing.T, known []byte, between ...canbus.Frame) (rpm float64, pools int) {
	t.Helper()
	c, err := New(pretend(t, virtual.Demo()), Outputs{
		Reading: func(id signal.ID, r *signal.Reading[float64]) {
			if id == signal.RotorSpeed.ID && r.Quality == signal.Good {
				rpm = r.Value
			}
		},
		Pool: func(PoolSeen) { pools++ },
	})
	if err != nil {
		t.Fatal(err)
	}
	if known != nil {
		if err := c.AddPool(known); err != nil {
			t.Fatal(err)
		}
	}
	var name [8]byte
	binary.LittleEndian.PutUint64(name[:], combineName)
	frames := []canbus.Frame{{ID: 0x18EEFF87, Data: name}}
	frames = append(frames, between...)
	frames = append(frames, canbus.Frame{ID: 0x0CCBF787, Data: [8]byte{0x53, 0, 0x86, 0x01, 0xE0, 0x70, 0x72, 0}}) // element 5, DDI 390, 7,500,000
	for i := range frames {
		f := frames[i]
		f.Stamp, f.Len, f.Flags = int64(i)*1e8, 8, canbus.Extended
		c.Frame(&f)
	}
	return rpm, pools
}

// upload is the pool by the transport protocol, as the node sends it.
func upload() []canbus.Frame {
	payload := append([]byte{0x61}, rotorPool()...)
	packets := (len(payload) + 6) / 7
	frames := []canbus.Frame{{ID: 0x1CECF787, Data: [8]byte{16, byte(len(payload)), byte(len(payload) >> 8), byte(packets), 255, 0, 0xCB, 0}}}
	for i := range packets {
		d := [8]byte{byte(i + 1), 255, 255, 255, 255, 255, 255, 255}
		copy(d[1:], payload[7*i:])
		frames = append(frames, canbus.Frame{ID: 0x1CEBF787, Data: d})
	}
	return frames
}

func TestAPoolTellsWhichRevolutionsAreTheRotors(t *testing.T) {
	label := func(l [7]byte) canbus.Frame {
		f := canbus.Frame{ID: 0x18CB87F7, Data: [8]byte{0x11}}
		copy(f.Data[1:], l[:])
		return f
	}
	none := [7]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	for _, c := range []struct {
		name    string
		known   []byte
		between []canbus.Frame
		rpm     float64
		pools   int
	}{
		{"nothing is known", nil, nil, 0, 0},
		{"it is uploaded", nil, upload(), 750, 1},
		{"it is known from an earlier run", rotorPool(), nil, 750, 0},
		{"it is known, and uploaded again", rotorPool(), upload(), 750, 0},
		{"it is known, and the task controller has the same", rotorPool(), []canbus.Frame{label(combineLabel)}, 750, 0},
		{"it is known, and the task controller has none", rotorPool(), []canbus.Frame{label(none)}, 750, 0},
		{"it is known, and the task controller has another", rotorPool(), []canbus.Frame{label([7]byte{'N', 'E', 'W', 'O', 'N', 'E', '2'})}, 0, 0},
	} {
		rpm, pools := rotorFrom(t, c.known, c.between...)
		if rpm != c.rpm || pools != c.pools {
			t.Errorf("%s: rotor %v rpm, %d new pools; want %v and %d", c.name, rpm, pools, c.rpm, c.pools)
		}
	}
}

// The make-believe combine uploads its pool at key-on, by whichever transport
// its length takes.
func TestTheMakeBelieveCombinesPool(t *testing.T) {
	s := virtual.Random(4, 0.2)
	s.Signals, s.Pool, s.InCrop = "generic", true, false
	pools := 0
	harvest(t, s, 4, Outputs{Pool: func(PoolSeen) { pools++ }})
	if pools != 1 {
		t.Errorf("%d pools", pools)
	}
}

func TestWhatIsNoPoolIsRefused(t *testing.T) {
	c, err := New(pretend(t, virtual.Demo()), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	for _, body := range []string{"DVC", "XYZ\x00\x00", "DET\x01\x00\x01", string(rotorPool()[:40])} {
		if err := c.AddPool([]byte(body)); err == nil {
			t.Errorf("%q was taken for a pool", body)
		}
	}
}
