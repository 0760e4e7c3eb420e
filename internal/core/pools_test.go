package core

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
)

const combineName = 0xA00E840000000001 // agriculture, harvesters, machine control

var combineLabel = [7]byte{'C', 'H', 'A', 'F', 'F', '0', '1'}

// rotorPool is a pool whose element 5 is a separator that can tell its
// revolutions, and whose header is 9.15 m wide (ISO 11783-10, layouts of part 10
// annex A; DDI 67, 350 and 390). Filler makes it longer.
func rotorPool(name uint64, label [7]byte, filler int) []byte {
	var b bytes.Buffer
	text := func(s string) { b.WriteByte(byte(len(s))); b.WriteString(s) }
	number := func(v any) { binary.Write(&b, binary.LittleEndian, v) }
	object := func(kind string, id uint16) { b.WriteString(kind); number(id) }
	object("DVC", 0)
	text("Combine")
	text("1")
	number(name)
	text("7")
	b.Write(label[:])
	b.Write([]byte{'e', 'n', 0x50, 0, 0x55, 0x55, 0xFF})
	object("DET", 1)
	b.WriteByte(1)
	text("Combine")
	number([]uint16{0, 0, 0})
	object("DET", 2)
	b.WriteByte(2)
	text("Separator")
	number([]uint16{5, 1, 2, 10, 11})
	object("DET", 3)
	b.WriteByte(2)
	text("Header")
	number([]uint16{6, 1, 2, 12, 13})
	property := func(id, ddi uint16, value int32) {
		object("DPT", id)
		number(ddi)
		number(value)
		text("")
		number(uint16(0xFFFF))
	}
	property(10, 350, 3)
	object("DPD", 11)
	number(uint16(390))
	b.Write([]byte{1, 1})
	text("Revolutions")
	number(uint16(0xFFFF))
	property(12, 350, 1)
	property(13, 67, 9150)
	for i := range filler {
		property(uint16(100+i), 134, 0)
	}
	return b.Bytes()
}

// nameClaim is the claim of address 87 by a node.
func nameClaim(name uint64) (f canbus.Frame) {
	f.ID = 0x18EEFF87
	binary.LittleEndian.PutUint64(f.Data[:], name)
	return f
}

// poolRun plays frames and then a rotor at 750 rpm, and returns what is known
// of rotor and header, and what is to be kept.
func poolRun(t *testing.T, known [][]byte, between ...canbus.Frame) (rpm, width float64, kept []PoolSeen) {
	t.Helper()
	c, err := New(pretend(t, virtual.Demo()), Outputs{
		Reading: func(id signal.ID, r *signal.Reading[float64]) {
			switch id {
			case signal.RotorSpeed.ID:
				rpm = r.Value
			case signal.CutWidth.ID:
				width = r.Value
			}
		},
		Pool: func(p PoolSeen) { kept = append(kept, PoolSeen{p.ID, bytes.Clone(p.Body)}) },
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.AddPools(known); err != nil {
		t.Fatal(err)
	}
	revolutions := canbus.Frame{ID: 0x0CCBF787, Data: [8]byte{0x53, 0, 0x86, 0x01, 0xE0, 0x70, 0x72, 0}} // element 5, DDI 390, 7,500,000
	for i, f := range append(between, revolutions) {
		f.Stamp, f.Len, f.Flags = int64(i)*1e7, 8, canbus.Extended
		c.Frame(&f)
	}
	return rpm, width, kept
}

// message is a process data message of several frames between two addresses, by
// TP up to 1785 bytes and by ETP above (SAE J1939-21, ISO 11783-3).
func message(from, to uint32, payload []byte) (frames []canbus.Frame) {
	address := to<<8 | from
	packets := (len(payload) + 6) / 7
	data := func(id uint32, first, n int) {
		for i := range n {
			d := [8]byte{byte(i + 1), 255, 255, 255, 255, 255, 255, 255}
			copy(d[1:], payload[7*(first+i):])
			frames = append(frames, canbus.Frame{ID: id | address, Data: d})
		}
	}
	size := binary.LittleEndian.AppendUint32(nil, uint32(len(payload)))
	if len(payload) <= 1785 {
		frames = append(frames, canbus.Frame{ID: 0x1CEC0000 | address, Data: [8]byte{16, size[0], size[1], byte(packets), 255, 0, 0xCB, 0}})
		data(0x1CEB0000, 0, packets)
		return frames
	}
	frames = append(frames, canbus.Frame{ID: 0x1CC80000 | address, Data: [8]byte{20, size[0], size[1], size[2], size[3], 0, 0xCB, 0}})
	for first := 0; first < packets; first += 255 {
		n := min(packets-first, 255)
		frames = append(frames, canbus.Frame{ID: 0x1CC80000 | address, Data: [8]byte{22, byte(n), byte(first), byte(first >> 8), 0, 0, 0xCB, 0}})
		data(0x1CC70000, first, n)
	}
	return frames
}

func upload(pool []byte) []canbus.Frame { return message(0x87, 0xF7, append([]byte{0x61}, pool...)) }

func TestWhatIsKnownOfAMachineByItsPool(t *testing.T) {
	const other = combineName + 1
	secondLabel := [7]byte{'C', 'H', 'A', 'F', 'F', '0', '2'}
	none := [7]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	told := func(l [7]byte) []canbus.Frame {
		f := canbus.Frame{ID: 0x18CB87F7, Data: [8]byte{0x11}}
		copy(f.Data[1:], l[:])
		return []canbus.Frame{f}
	}
	extended := func(l [7]byte, more string) []canbus.Frame {
		return message(0xF7, 0x87, append(append([]byte{0x11}, l[:]...), more...))
	}
	claim := []canbus.Frame{nameClaim(combineName)}
	first, second := rotorPool(combineName, combineLabel, 0), rotorPool(combineName, secondLabel, 0)
	mark := markOf(combineName, secondLabel[:])
	for _, c := range []struct {
		name   string
		known  [][]byte
		frames [][]canbus.Frame
		knows  bool
		kept   int
	}{
		{"nothing is known", nil, [][]canbus.Frame{claim}, false, 0},
		{"it is uploaded by TP", nil, [][]canbus.Frame{claim, upload(first)}, true, 1},
		{"it is uploaded by ETP", nil, [][]canbus.Frame{claim, upload(rotorPool(combineName, combineLabel, 200))}, true, 1},
		{"it is uploaded before any claim was heard", nil, [][]canbus.Frame{upload(first)}, true, 1},
		{"it is uploaded by a node of another NAME", nil, [][]canbus.Frame{{nameClaim(other)}, upload(first)}, false, 0},
		{"an earlier run saw it", [][]byte{first}, [][]canbus.Frame{claim}, true, 0},
		{"an earlier run saw it, and nobody claims", [][]byte{first}, nil, false, 0},
		{"an earlier run saw it, and another node claims", [][]byte{first}, [][]canbus.Frame{{nameClaim(other)}}, false, 0},
		{"an earlier run saw it, and it is uploaded again", [][]byte{first}, [][]canbus.Frame{claim, upload(first)}, true, 0},
		{"the task controller has the same", [][]byte{first}, [][]canbus.Frame{claim, told(combineLabel)}, true, 0},
		{"the task controller has the same, with an extended label", [][]byte{first}, [][]canbus.Frame{claim, extended(combineLabel, "x")}, true, 0},
		{"the task controller has none yet", [][]byte{first}, [][]canbus.Frame{claim, told(none)}, true, 0},
		{"the task controller has another", [][]byte{first}, [][]canbus.Frame{claim, told(secondLabel)}, false, 1},
		{"the task controller has another, with an extended label", [][]byte{first}, [][]canbus.Frame{claim, extended(secondLabel, "x")}, false, 1},
		{"the task controller had another in an earlier run", [][]byte{first, mark}, [][]canbus.Frame{claim}, false, 0},
		{"so it had, but now it has the known one", [][]byte{first, mark}, [][]canbus.Frame{claim, told(combineLabel)}, true, 0},
		{"two are known", [][]byte{first, second}, [][]canbus.Frame{claim}, false, 0},
		{"two are known, and the label tells which", [][]byte{first, second}, [][]canbus.Frame{claim, told(combineLabel)}, true, 0},
		{"what was told of only is uploaded", [][]byte{mark}, [][]canbus.Frame{claim, upload(second)}, true, 1},
	} {
		rpm, width, kept := poolRun(t, c.known, slices.Concat(c.frames...)...)
		want := [2]float64{}
		if c.knows {
			want = [2]float64{750, 9.15}
		}
		if got := [2]float64{rpm, width}; got != want || len(kept) != c.kept {
			t.Errorf("%s: rotor and width %v, %d to keep; want %v and %d", c.name, got, len(kept), want, c.kept)
		}
	}
}

// What one run keeps, the next one knows; ids tell pools apart.
func TestTheNextRunKnowsTheMachine(t *testing.T) {
	claim := nameClaim(combineName)
	_, _, kept := poolRun(t, nil, append([]canbus.Frame{claim}, upload(rotorPool(combineName, combineLabel, 0))...)...)
	if len(kept) != 1 || kept[0].ID != "A00E840000000001-43484146463031-656E50005555FF" {
		t.Fatalf("kept %+v", kept)
	}
	if rpm, width, more := poolRun(t, [][]byte{kept[0].Body}, claim); rpm != 750 || width != 9.15 || len(more) != 0 {
		t.Errorf("the next run: rotor %v, width %v, %d to keep", rpm, width, len(more))
	}
}

// What a pool said has no value any more once it is another pool's machine, and
// outlasts a step of the clock.
func TestReadingsByAPoolAreWithdrawnAndRecalled(t *testing.T) {
	w := newWire(t, "")
	if err := w.AddPools([][]byte{rotorPool(combineName, combineLabel, 0)}); err != nil {
		t.Fatal(err)
	}
	knows := func(why string, rpm, width float64) {
		t.Helper()
		w.send("0CFFFF87#FFFFFFFFFFFFFFFF")
		w.pass(200 * time.Millisecond)
		r, _ := signal.RotorSpeed.Fresh(&w.state.Signals, w.state.Now)
		m, _ := signal.CutWidth.Fresh(&w.state.Signals, w.state.Now)
		if float64(r) != rpm || float64(m) != width {
			t.Errorf("%s: rotor %v, width %v, want %v and %v", why, r, m, rpm, width)
		}
	}
	w.send(claim(0x87, combineName), "0CCBF787#5300860100000000", "0CCBF787#53008601E0707200")
	knows("as it is known", 750, 9.15)
	w.now += int64(5 * time.Hour)
	w.pass(100 * time.Millisecond)
	knows("after a step of the clock, before it speaks", 0, 9.15)
	w.send("0CCBF787#53008601E0707200")
	knows("after a step of the clock", 750, 9.15)
	w.send(claim(0x90, combineName))
	w.send("0CFFFF90#FFFFFFFFFFFFFFFF")
	w.pass(100 * time.Millisecond)
	if m, fresh := signal.CutWidth.Fresh(&w.state.Signals, w.state.Now); float64(m) != 9.15 || !fresh {
		t.Errorf("it moved: width %v (fresh %v)", m, fresh)
	}
	w.send(claim(0x87, combineName))
	knows("it moved back", 750, 9.15)
	w.send("18CB87F7#114E45574F4E4532")
	knows("the task controller has another pool of it", 0, 0)
}

// A store that comes late brings what is known while the machine works.
func TestPoolsThatComeLate(t *testing.T) {
	w := newWire(t, "")
	w.send(claim(0x87, combineName), "0CCBF787#53008601E0707200")
	w.rotor("nothing is known yet", 0)
	if err := w.AddPools([][]byte{rotorPool(combineName, combineLabel, 0), rotorPool(combineName+1, combineLabel, 0)}); err != nil {
		t.Fatal(err)
	}
	w.send("0CCBF787#53008601E0707200")
	w.rotor("its pool has come", 750)

	w = newWire(t, "")
	w.send(claim(0x87, combineName), "18CB87F7#114E45574F4E4532")
	if err := w.AddPools([][]byte{rotorPool(combineName, combineLabel, 0)}); err != nil {
		t.Fatal(err)
	}
	w.send("0CCBF787#53008601E0707200")
	w.rotor("what came is not the pool that it has", 0)
}

// Sixty-four are remembered, the newest.
func TestPoolsAreBounded(t *testing.T) {
	c, err := New(pretend(t, virtual.Demo()), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	var bodies [][]byte
	for i := range uint64(maxPools + 6) {
		bodies = append(bodies, rotorPool(combineName+i, combineLabel, 0))
	}
	if err := c.AddPools(bodies); err != nil || len(c.pools) != maxPools || c.poolOf(combineName+5) != nil || c.poolOf(combineName+6) == nil {
		t.Errorf("%d pools, %v", len(c.pools), err)
	}
}

// The make-believe combine uploads its pool at key-on by ETP, and not on the
// next day: the task controller has it. The width comes as a value of the
// header, whose element the pool tells.
func TestTheMakeBelieveCombinesPool(t *testing.T) {
	s := virtual.Scenario{Machine: "giant", Signals: "generic", Pool: true, Hours: 0.02}
	day := func(s virtual.Scenario, known [][]byte) (kept [][]byte, knows bool) {
		c, err := New(pretend(t, s), Outputs{Pool: func(p PoolSeen) { kept = append(kept, bytes.Clone(p.Body)) }})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.AddPools(known); err != nil {
			t.Fatal(err)
		}
		combine := virtual.New(s, 3)
		for f := range combine.Frames() {
			c.Frame(f)
		}
		if c.Transport()[j1939.Extended].Complete == 0 == s.Pool {
			t.Error("whether ETP was used is not what was to be")
		}
		return kept, len(c.pools) == 1 && c.poolOf(c.pools[0].name) != nil && len(c.poolOf(c.pools[0].name).pool.Elements) > 6
	}
	first, knows := day(s, nil)
	if len(first) != 1 || !knows {
		t.Fatalf("the first day: %d pools, knows %v", len(first), knows)
	}
	s.Pool = false
	if more, knows := day(s, first); len(more) != 0 || !knows {
		t.Errorf("the next day: %d pools, knows %v", len(more), knows)
	}
	if more, knows := day(s, nil); len(more) != 1 || knows {
		t.Errorf("a day without a pool: %d marks, knows %v", len(more), knows)
	}
}

func TestWhatIsNoPoolIsRefused(t *testing.T) {
	c, err := New(pretend(t, virtual.Demo()), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	for _, body := range []string{"DVC", "XYZ\x00\x00", "DET\x01\x00\x01", string(rotorPool(combineName, combineLabel, 0)[:40]), ""} {
		if err := c.AddPools([][]byte{[]byte(body)}); err == nil {
			t.Errorf("%q was taken for a pool", body)
		}
	}
}
