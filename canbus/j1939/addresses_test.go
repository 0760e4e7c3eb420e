package j1939

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// A registry feeds an Addresses and writes down the changes.
type registry struct {
	t   *testing.T
	a   Addresses
	now signal.Instant
	got []string
}

// claim says that a NAME claims an address.
func (r *registry) claim(name Name, address uint8) *registry {
	r.t.Helper()
	return r.send(fmt.Sprintf("18EEFF%02X#%s", address, littleEndian(name)))
}

func littleEndian(name Name) string {
	var b [8]byte
	for i := range b {
		b[i] = byte(name >> (8 * i))
	}
	return hex.EncodeToString(b[:])
}

func (r *registry) send(frame string) *registry {
	r.t.Helper()
	f := frameOf(r.t, frame)
	for _, c := range r.a.Feed(&f, r.now) {
		text := fmt.Sprintf("%d: %X %d>%d", c.At/1e6, uint64(c.Name), c.From, c.To)
		if c.Commanded {
			text += " commanded"
		}
		r.got = append(r.got, text)
	}
	return r
}

// wait lets time pass until any other frame comes.
func (r *registry) wait(d time.Duration) *registry {
	r.t.Helper()
	r.now = r.now.Add(d)
	return r.send("0CF00400#FFFFFFFFFFFFFFFF")
}

func TestAddressChanges(t *testing.T) {
	const ms = time.Millisecond
	cases := []struct {
		name string
		do   func(r *registry)
		want []string
	}{
		{"a node comes", func(r *registry) { r.claim(0xA0, 10) }, []string{"0: A0 254>10"}},
		{"it claims again", func(r *registry) { r.claim(0xA0, 10).claim(0xA0, 10) }, []string{"0: A0 254>10"}},
		{"it moves", func(r *registry) { r.claim(0xA0, 10).wait(ms).claim(0xA0, 20) }, []string{"0: A0 254>10", "1: A0 10>20"}},
		{"it can not claim", func(r *registry) { r.claim(0xA0, 10).wait(ms).claim(0xA0, 254) }, []string{"0: A0 254>10", "1: A0 10>254"}},
		{"one that never had an address can not claim", func(r *registry) { r.claim(0xA0, 254) }, nil},
		{"a lower NAME takes the address at once", func(r *registry) { r.claim(0xA0, 10).wait(ms).claim(0x90, 10) },
			[]string{"0: A0 254>10", "1: A0 10>254", "1: 90 254>10"}},
		{"a higher NAME does not if the owner defends", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 10).wait(5*ms).claim(0xA0, 10).wait(time.Second) },
			[]string{"0: A0 254>10"}},
		{"a higher NAME does if the owner is silent for 250 ms", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 10).wait(249 * ms).wait(time.Second) },
			[]string{"0: A0 254>10", "250: A0 10>254", "250: B0 254>10"}},
		{"a loser that moves on has lost", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 10).wait(5*ms).claim(0xB0, 30).wait(time.Second) },
			[]string{"0: A0 254>10", "5: B0 254>30"}},
		{"the owner leaves during a contest", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 10).wait(5*ms).claim(0xA0, 40).wait(time.Second) },
			[]string{"0: A0 254>10", "5: A0 10>40", "5: B0 254>10"}},
		{"the owner gives up during a contest", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 10).wait(5*ms).claim(0xA0, 254).wait(time.Second) },
			[]string{"0: A0 254>10", "5: A0 10>254", "5: B0 254>10"}},
		{"of two challengers the lower is heard", func(r *registry) { r.claim(0xA0, 10).claim(0xC0, 10).claim(0xB0, 10).claim(0xD0, 10).wait(time.Second) },
			[]string{"0: A0 254>10", "250: A0 10>254", "250: B0 254>10"}},
		{"a third, lower than both, ends a contest", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 10).claim(0x90, 10).wait(time.Second) },
			[]string{"0: A0 254>10", "0: A0 10>254", "0: 90 254>10"}},
		{"two swap addresses", func(r *registry) { r.claim(0xA0, 10).claim(0xB0, 20).wait(ms).claim(0xA0, 20).claim(0xB0, 10) },
			[]string{"0: A0 254>10", "0: B0 254>20", "1: B0 20>254", "1: A0 10>20", "1: B0 254>10"}},
		{"what is no claim", func(r *registry) {
			r.claim(0xA0, 255)                  // from the global address
			r.send("18EE0A14#A000000000000000") // to one node
			r.send("18EEFF14#A0000000000000")   // 7 bytes
			r.send("18EEFF14#FFFFFFFFFFFFFFFF") // no NAME
		}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := &registry{t: t}
			c.do(r)
			if strings.Join(r.got, "; ") != strings.Join(c.want, "; ") {
				t.Errorf("got  %s\nwant %s", strings.Join(r.got, "; "), strings.Join(c.want, "; "))
			}
			if r.a.open != 0 {
				t.Errorf("%d contests are still open", r.a.open)
			}
		})
	}
}

func TestAddressLookups(t *testing.T) {
	r := &registry{t: t}
	if _, ok := r.a.Name(0, 10); ok {
		t.Error("nothing is known before a claim")
	}
	r.claim(0xA0, 10).wait(time.Second).claim(0xA0, 10)
	if n, ok := r.a.Name(0, 10); !ok || n != 0xA0 {
		t.Errorf("address 10 is %X, %v", uint64(n), ok)
	}
	if a, ok := r.a.Address(0, 0xA0); !ok || a != 10 {
		t.Errorf("NAME A0 has %d, %v", a, ok)
	}
	if at, ok := r.a.LastClaim(0, 10); !ok || at != 1e9 {
		t.Errorf("last claim %d, %v", at, ok)
	}
	for _, address := range []uint8{11, 254, 255} {
		if _, ok := r.a.Name(0, address); ok {
			t.Errorf("address %d is unknown", address)
		}
	}
	if _, ok := r.a.Name(1, 10); ok {
		t.Error("another interface is another bus")
	}
	if a, ok := r.a.Address(1, 0xA0); ok || a != NullAddress {
		t.Error("another interface is another bus")
	}
	f := frameOf(t, "18EEFF0A#B000000000000000")
	f.Interface = 2
	if c := r.a.Feed(&f, r.now); len(c) != 1 || c[0].Interface != 2 {
		t.Errorf("got %v", c)
	}
	if n, _ := r.a.Name(0, 10); n != 0xA0 {
		t.Error("the interfaces mix")
	}
}

// The commanded address of testdata/multi-frame.csv: NAME A00E840000000001 is
// to take address 4.
func TestCommandedAddress(t *testing.T) {
	const name Name = 0xA00E840000000001
	command := func(b *bus) *Transfer {
		for _, text := range []string{"1CECFFF8#20090002FFD8FE00", "1CEBFFF8#010100000000840E", "1CEBFFF8#02A004FFFFFFFFFF"} {
			f := frameOf(t, text)
			if m, ok := b.r.Feed(&f, b.now); ok {
				return &m
			}
		}
		t.Fatal("no message")
		return nil
	}
	m := command(newBus(t))
	if n, to, ok := ParseCommandedAddress(m); !ok || n != name || to != 4 {
		t.Fatalf("%X to %d, %v", uint64(n), to, ok)
	}

	r := &registry{t: t}
	r.claim(name, 130)
	r.a.Command(m)
	if a, _ := r.a.Address(0, name); a != 130 {
		t.Error("an order alone moves nobody")
	}
	r.wait(100*time.Millisecond).claim(name, 4)
	r.wait(time.Millisecond).claim(name, 5)
	want := "0: A00E840000000001 254>130; 100: A00E840000000001 130>4 commanded; 101: A00E840000000001 4>5"
	if got := strings.Join(r.got, "; "); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}

	for name, m := range map[string]Transfer{
		"another group":     {PGN: DM1, Payload: m.Payload},
		"too short":         {PGN: CommandedAddress, Payload: m.Payload[:8]},
		"to no address":     {PGN: CommandedAddress, Payload: append(append([]byte{}, m.Payload[:8]...), 254)},
		"to all":            {PGN: CommandedAddress, Payload: append(append([]byte{}, m.Payload[:8]...), 255)},
		"without a payload": {PGN: CommandedAddress},
	} {
		if _, _, ok := ParseCommandedAddress(&m); ok {
			t.Errorf("%s was taken", name)
		}
	}
}

// The recording has 22 claims of 5 control functions; their addresses and
// functions stand in testdata/real/README.md.
func TestRecordedClaims(t *testing.T) {
	frames, _ := recorded(t, "tractor-start-and-rev.log")
	var a Addresses
	claims, changes := 0, 0
	for i := range frames {
		if id, _ := ParseID(frames[i].ID); id.PGN == AddressClaimed {
			claims++
		}
		for _, c := range a.Feed(&frames[i], frames[i].At) {
			changes++
			if c.From != NullAddress {
				t.Errorf("nobody moves in this recording: %+v", c)
			}
		}
	}
	if claims != 22 || changes != 5 {
		t.Errorf("%d claims, %d changes; want 22, 5", claims, changes)
	}
	for address, function := range map[uint8]uint8{0x00: 0, 0x03: 3, 0x06: 14, 0x17: 19, 0x47: 52} {
		if n, ok := a.Name(0, address); !ok || n.Function() != function {
			t.Errorf("address %d: function %d, want %d", address, n.Function(), function)
		}
	}
}

func TestAddressesAllocateNothing(t *testing.T) {
	var a Addresses
	frames := []canbus.Frame{
		frameOf(t, "18EEFF0A#A000000000000000"), frameOf(t, "18EEFF0A#B000000000000000"),
		frameOf(t, "18EEFF14#A000000000000000"), frameOf(t, "18EEFF0A#9000000000000000"),
		frameOf(t, "0CF00400#FFFFFFFFFFFFFFFF"),
	}
	at := signal.Instant(0)
	run := func() {
		for i := range frames {
			at = at.Add(100 * time.Millisecond)
			a.Feed(&frames[i], at)
		}
	}
	run()
	if n := testing.AllocsPerRun(100, run); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
