package find

import (
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/signal"
)

// The map that is printed must find the frames in which the field was found.
func TestEntryIsOfItsFrames(t *testing.T) {
	for _, c := range []struct {
		name string
		id   uint32
		wide bool
	}{
		{"broadcast", 0x18FF1521, true},
		{"to a destination", 0x0CEF2621, true},
		{"11 bits", 0x123, false},
		{"PGN 0 to the engine, whose number without priority has 11 bits", 0x0C000003, true},
	} {
		m := message{wide: c.wide, id: c.id & (1<<26 - 1)}
		k := candidate{field: field{stream: &stream{message: m, bytes: 8}, low: 16, high: 31}}
		e := k.entry(Choice{StartBit: 16, Length: 16, ByteOrder: "little", Scale: 1}, signal.RotorSpeed.ID)
		d, err := decode.New(decode.Settings{Maps: []decode.MapEntry{e}})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		f := canbus.Frame{ID: c.id, Len: 8, Data: [8]byte{0, 0, 0x34, 0x03}}
		if c.wide {
			f.Flags = canbus.Extended
		}
		if got := d.Decode(&f); len(got) != 1 || got[0].Reading.Value != 820 {
			t.Errorf("%s: %+v, by the map\n%s", c.name, got, mapText(&e))
		}
	}
}
