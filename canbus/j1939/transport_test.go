package j1939

import (
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// frameOf writes a frame as candump does: 18ECFF00#20120003FFCAFE00.
func frameOf(t testing.TB, text string) canbus.Frame {
	t.Helper()
	id, data, ok := strings.Cut(text, "#")
	n, err := strconv.ParseUint(id, 16, 32)
	b, err2 := hex.DecodeString(data)
	if !ok || err != nil || err2 != nil || len(b) > 8 {
		t.Fatalf("not a frame: %q", text)
	}
	f := canbus.Frame{ID: uint32(n), Len: uint8(len(b)), Flags: canbus.Extended}
	copy(f.Data[:], b)
	return f
}

// A bus feeds a Reassembler with frames some time apart and writes down what
// comes out: "pgn sa>da payload".
type bus struct {
	t   testing.TB
	r   *Reassembler
	now signal.Instant
	got []string
}

func newBus(t testing.TB) *bus { return &bus{t: t, r: NewReassembler()} }

func (b *bus) wait(d time.Duration) *bus { b.now = b.now.Add(d); return b }

func (b *bus) send(frames ...string) *bus {
	b.t.Helper()
	for _, text := range frames {
		f := frameOf(b.t, text)
		if m, ok := b.r.Feed(&f, b.now); ok {
			b.got = append(b.got, fmt.Sprintf("%d %d>%d %X", m.PGN, m.Source, m.Destination, m.Payload))
		}
		b.now = b.now.Add(50 * time.Millisecond)
	}
	return b
}

func (b *bus) want(messages ...string) {
	b.t.Helper()
	if strings.Join(b.got, "\n") != strings.Join(messages, "\n") {
		b.t.Errorf("messages:\n%s\nwant:\n%s", strings.Join(b.got, "\n"), strings.Join(messages, "\n"))
	}
}

func (b *bus) wantCounts(k Kind, want Counts) {
	b.t.Helper()
	if got := b.r.Stats()[k]; got != want {
		b.t.Errorf("%v: counts %+v\nwant %+v", k, got, want)
	}
}

// testdata/multi-frame.csv holds the multi-frame check vectors: published
// examples of open-source J1939 and NMEA 2000 projects, each with its source
// in the last column, and some computed from the standard's tables by hand.
func TestPublishedSequences(t *testing.T) {
	f, err := os.Open("testdata/multi-frame.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	sequences := 0
	for _, row := range rows[1:] {
		ids, data, name, expected, source := strings.Split(row[0], ";"), strings.Split(row[1], ";"), row[2], row[3], row[5]
		if len(ids) < 2 {
			continue // single control frames: TestExtendedControlVectors
		}
		sequences++
		t.Run(name, func(t *testing.T) {
			b := newBus(t)
			for i := range ids {
				b.send(ids[i] + "#" + data[i])
			}
			if name == "129029 fast packet" {
				wantGNSS(t, b)
				return
			}
			expected, _, _ = strings.Cut(expected, " |")
			var want []string
			for _, message := range strings.Split(expected, "; ") {
				want = append(want, expectedMessage(t, message))
			}
			if strings.Join(b.got, "; ") != strings.Join(want, "; ") {
				t.Errorf("got  %v\nwant %v\nsource: %s", b.got, want, source)
			}
		})
	}
	if sequences != 11 {
		t.Errorf("%d sequences in the file, want 11", sequences)
	}
}

// expectedMessage turns "pgn=65200 sa=1 da=255 len=20 payload=01.." into the
// form of bus.got.
func expectedMessage(t *testing.T, text string) string {
	fields := map[string]string{"da": "255"}
	for _, part := range strings.Fields(text) {
		key, value, _ := strings.Cut(part, "=")
		fields[key] = value
	}
	if n, ok := fields["len"]; ok && n != strconv.Itoa(len(fields["payload"])/2) {
		t.Fatalf("the vector contradicts itself: %s", text)
	}
	return fmt.Sprintf("%s %s>%s %s", fields["pgn"], fields["sa"], fields["da"], fields["payload"])
}

// wantGNSS checks the values that canboat's own test expects of this message.
func wantGNSS(t *testing.T, b *bus) {
	if len(b.got) != 1 || !strings.HasPrefix(b.got[0], "129029 0>255 ") {
		t.Fatalf("got %v", b.got)
	}
	p, _ := hex.DecodeString(strings.Fields(b.got[0])[2])
	if len(p) != 47 { // with one empty reference station
		t.Fatalf("length %d", len(p))
	}
	lat := float64(int64(binary.LittleEndian.Uint64(p[7:]))) * 1e-16
	lon := float64(int64(binary.LittleEndian.Uint64(p[15:]))) * 1e-16
	days := binary.LittleEndian.Uint16(p[1:])
	seconds := binary.LittleEndian.Uint32(p[3:]) / 10000
	when := time.Unix(int64(days)*86400+int64(seconds), 0).UTC().Format(time.DateTime)
	got := fmt.Sprintf("sid=%d when=%s lat=%.7f lon=%.7f svs=%d", p[0], when, lat, lon, p[33])
	if want := "sid=231 when=2013-03-01 19:29:52 lat=42.4967684 lon=-71.5836637 svs=8"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// A control frame is a part, never the group that it announces.
func TestControlFramesAreNoMessages(t *testing.T) {
	b := newBus(t)
	b.send("18ECFF00#20120003FFCAFE00") // announces DM1
	b.send("18EC9B90#101400030100DF00")
	b.send("1CC8F787#14D007000000CB00")
	b.want()
}

func TestTransportCases(t *testing.T) {
	const dm1 = "18ECFF00#20120003FFCAFE00"
	dt := []string{"", "18EBFF00#0100FF5B0003015C", "18EBFF00#020004025D000503", "18EBFF00#035E000604FFFFFF"}
	const whole = "65226 0>255 00FF5B0003015C0004025D0005035E000604"

	const (
		rts   = "18EC9B90#101400030100DF00"
		cts1  = "1CEC909B#110101FFFF00DF00"
		hold  = "1CEC909B#1100FFFFFF00DF00"
		d1    = "1CEB9B90#0101020304050607"
		d2    = "1CEB9B90#0201020304050607"
		d3    = "1CEB9B90#03010203040506FF"
		end   = "1CEC909B#13140003FF00DF00"
		given = "57088 144>155 0102030405060701020304050607010203040506"
	)
	none := []string(nil)
	cases := []struct {
		name   string
		kind   Kind
		send   func(b *bus)
		want   []string
		counts Counts
	}{
		{"a packet is lost", Broadcast, func(b *bus) { b.send(dm1, dt[1], dt[3]).wait(time.Second).send(d1) },
			none, Counts{Started: 1, TimedOut: 1}},
		{"joined in the middle", Broadcast, func(b *bus) { b.send(dt[2], dt[3]) },
			none, Counts{Orphans: 2}},
		{"a packet stands twice, 2 ms apart", Broadcast, func(b *bus) {
			b.send(dm1, dt[1]).wait(-48*time.Millisecond).send(dt[1], dt[2], dt[3]).wait(-48 * time.Millisecond).send(dt[3])
		}, []string{whole}, Counts{Started: 1, Complete: 1, Repeats: 2}},
		{"the announcement stands twice", Broadcast, func(b *bus) {
			b.send(dm1).wait(-49*time.Millisecond).send(dm1, dt[1], dt[2], dt[3])
		}, []string{whole}, Counts{Started: 1, Complete: 1, Repeats: 1}},
		{"two packets are swapped, 1 ms apart", Broadcast, func(b *bus) {
			b.send(dm1, dt[2]).wait(-49*time.Millisecond).send(dt[1], dt[3])
		}, []string{whole}, Counts{Started: 1, Complete: 1}},
		{"a new announcement replaces an unfinished one", Broadcast, func(b *bus) {
			b.send(dm1, dt[1], dt[2]).send(dm1, dt[1], dt[2], dt[3])
		}, []string{whole}, Counts{Started: 2, Complete: 1, Dropped: 1}},
		// After a loss the packets of the next message must not fill the hole.
		{"the next announcement is lost too", Broadcast, func(b *bus) {
			b.send(dm1, dt[1], dt[3]).send(dt[1], dt[2], dt[3])
		}, none, Counts{Started: 1, Dropped: 1, Orphans: 2}},
		{"the next announcement and its first packet are lost", Broadcast, func(b *bus) {
			b.send(dm1, dt[1], dt[3]).send(dt[2], dt[3])
		}, none, Counts{Started: 1, Dropped: 1, Orphans: 1}},
		{"silence of 750 ms is allowed", Broadcast, func(b *bus) { b.send(dm1, dt[1]).wait(700*time.Millisecond).send(dt[2], dt[3]) },
			[]string{whole}, Counts{Started: 1, Complete: 1}},
		{"silence of more is not", Broadcast, func(b *bus) { b.send(dm1, dt[1]).wait(701*time.Millisecond).send(dt[2], dt[3]) },
			none, Counts{Started: 1, TimedOut: 1, Orphans: 2}},
		{"another node claims the sender's address", Broadcast, func(b *bus) {
			b.send("18EEFF00#0100000000840EA0", dm1, dt[1], "18EEFF00#0200000000840EA0", dt[2], dt[3])
		}, none, Counts{Started: 1, Dropped: 1, Orphans: 2}},
		{"the sender claims another address", Broadcast, func(b *bus) {
			b.send("18EEFF00#0100000000840EA0", dm1, dt[1], "18EEFF80#0100000000840EA0", dt[2], dt[3])
		}, none, Counts{Started: 1, Dropped: 1, Orphans: 2}},
		// As in the recording tractor-start-and-rev.log.
		{"the sender claims its own address again", Broadcast, func(b *bus) {
			b.send("18EEFF00#0100000000840EA0", dm1, dt[1], "18EEFF00#0100000000840EA0", dt[2], dt[3])
		}, []string{whole}, Counts{Started: 1, Complete: 1}},
		{"the first claim that is heard", Broadcast, func(b *bus) { b.send(dm1, dt[1], "18EEFF00#0100000000840EA0", dt[2], dt[3]) },
			[]string{whole}, Counts{Started: 1, Complete: 1}},
		{"another node claims", Broadcast, func(b *bus) { b.send(dm1, dt[1], "18EEFF03#0100000000840EA0", dt[2], dt[3]) },
			[]string{whole}, Counts{Started: 1, Complete: 1}},
		{"the sender aborts", Broadcast, func(b *bus) { b.send(dm1, dt[1], "18ECFF00#FF01FFFFFFCAFE00", dt[2], dt[3]) },
			none, Counts{Started: 1, Aborted: 1, Orphans: 2}},
		{"packets and size contradict", Broadcast, func(b *bus) {
			b.send("18ECFF00#20120004FFCAFE00", "18ECFF00#20000000FFCAFE00", "18ECFF00#20FFFFFFFFCAFE00")
		},
			none, Counts{Refused: 3}},
		{"it announces a transport group", Broadcast, func(b *bus) { b.send("18ECFF00#20120003FF00EC00", "18ECFF00#20120003FF00EB00") },
			none, Counts{Refused: 2}},
		{"a request to send to all", Broadcast, func(b *bus) { b.send("18ECFF00#10120003FFCAFE00") },
			none, Counts{Refused: 1}},
		{"a broadcast to one", Addressed, func(b *bus) { b.send("18EC0300#20120003FFCAFE00") },
			none, Counts{Refused: 1}},
		{"the last frame is short but long enough", Broadcast, func(b *bus) { b.send(dm1, dt[1], dt[2], "18EBFF00#035E000604") },
			[]string{whole}, Counts{Started: 1, Complete: 1}},
		{"the last frame is too short", Broadcast, func(b *bus) { b.send(dm1, dt[1], dt[2], "18EBFF00#035E0006") },
			none, Counts{Started: 1, Refused: 1}},
		{"two interfaces do not mix", Broadcast, func(b *bus) {
			b.send(dm1, dt[1], dt[2])
			f := frameOf(b.t, dt[3])
			f.Interface = 1
			if _, ok := b.r.Feed(&f, b.now); ok {
				b.t.Error("delivered")
			}
		}, none, Counts{Started: 1, Orphans: 1}},

		{"delivered without any answer seen", Addressed, func(b *bus) { b.send(rts, d1, d2, d3) },
			[]string{given}, Counts{Started: 1, Complete: 1}},
		{"the receiver asks again, going back", Addressed, func(b *bus) { b.send(rts, cts1, d1, d2, cts1, d1, d2, d3, end) },
			[]string{given}, Counts{Started: 1, Complete: 1, Repeats: 2}},
		{"sent again after a loss", Addressed, func(b *bus) { b.send(rts, cts1, d1, d3, cts1, d1, d2, d3, end) },
			[]string{given}, Counts{Started: 1, Complete: 1, Repeats: 2}},
		{"sent again with other bytes", Addressed, func(b *bus) { b.send(rts, cts1, d1, d2, cts1, "1CEB9B90#0111111111111111", d2, d3) },
			none, Counts{Started: 1, Dropped: 1, Orphans: 2}},
		{"acknowledged, but a packet was missed", Addressed, func(b *bus) { b.send(rts, cts1, d1, d3, end, d2) },
			none, Counts{Started: 1, Dropped: 1, Orphans: 1}},
		{"held for two seconds", Addressed, func(b *bus) {
			b.send(rts, hold).wait(time.Second).send(hold).wait(time.Second).send(cts1, d1, d2, d3)
		}, []string{given}, Counts{Started: 1, Complete: 1}},
		{"nobody answers; aborted 1.26 s later", Addressed, func(b *bus) { b.send(rts).wait(1210 * time.Millisecond).send("18EC9B90#FF03FFFFFF00DF00") },
			none, Counts{Started: 1, Aborted: 1}},
		{"the receiver aborts", Addressed, func(b *bus) { b.send(rts, cts1, d1, "1CEC909B#FF02FFFFFF00DF00", d2, d3) },
			none, Counts{Started: 1, Aborted: 1, Orphans: 2}},
		{"an abort of another group between the same nodes", Addressed, func(b *bus) {
			b.send(rts, "1CEC909B#1009000201E3FE00", d1, "18EC9B90#FF01FFFFFFE3FE00", d2, d3)
		}, []string{given}, Counts{Started: 2, Complete: 1, Aborted: 1}},
		{"an abort that names no group", Addressed, func(b *bus) { b.send(rts, d1, "18EC9B90#FF00000000000000", d2, d3) },
			none, Counts{Started: 1, Aborted: 1, Orphans: 2}},
		{"an answer of another group changes nothing", Addressed, func(b *bus) { b.send(rts, d1, "1CEC909B#13140003FFE3FE00", d2, d3) },
			[]string{given}, Counts{Started: 1, Complete: 1}},
		{"another node claims the receiver's address", Addressed, func(b *bus) {
			b.send("18EEFF9B#0100000000840EA0", rts, d1, "18EEFF9B#0200000000840EA0", d2, d3)
		}, none, Counts{Started: 1, Dropped: 1, Orphans: 2}},
		{"both directions and a broadcast at once", Addressed, func(b *bus) {
			b.send(rts, dm1, "1CEC909B#1009000201E3FE00", d1, "1CEB909B#0141424344454647", dt[1], d2, dt[2], "1CEB909B#02482AFFFFFFFFFF", dt[3], d3)
		}, []string{"65251 155>144 41424344454647482A", whole, given}, Counts{Started: 2, Complete: 2}},
	}
	for _, c := range cases {
		t.Run(c.kind.String()+": "+c.name, func(t *testing.T) {
			b := newBus(t)
			c.send(b)
			b.want(c.want...)
			b.wantCounts(c.kind, c.counts)
		})
	}
}

func TestTransferTimesAndReset(t *testing.T) {
	b := newBus(t)
	b.now = 1e9
	b.send("18ECFF00#200A0002FFCBFE00", "18EBFF00#0100FF5B0003015C")
	f := frameOf(t, "18EBFF00#02000402FFFFFFFF")
	m, ok := b.r.Feed(&f, b.now)
	if !ok || m.First != 1e9 || m.Last != b.now || m.Kind != Broadcast {
		t.Errorf("got %+v, %v", m, ok)
	}

	b.wait(time.Second).send("18ECFF00#200A0002FFCBFE00", "18EBFF00#0100FF5B0003015C")
	b.r.Reset()
	b.send("18EBFF00#02000402FFFFFFFF").want()
	b.wantCounts(Broadcast, Counts{Started: 2, Complete: 1, Dropped: 1, Orphans: 1})
	if n := b.r.Waiting(Broadcast); n != 0 {
		t.Errorf("%d sessions wait after a reset", n)
	}
}

func TestTooManySessionsDropTheOldest(t *testing.T) {
	b := newBus(t)
	for sa := range 65 { // the announcements of 65 nodes, 1 ms apart
		b.send(fmt.Sprintf("18ECFF%02X#200A0002FFCBFE00", sa)).wait(-49 * time.Millisecond)
	}
	for sa := range 65 {
		b.send(fmt.Sprintf("18EBFF%02X#0100FF5B0003015C", sa), fmt.Sprintf("18EBFF%02X#02000402FFFFFFFF", sa)).wait(-99 * time.Millisecond)
	}
	b.wantCounts(Broadcast, Counts{Started: 65, Complete: 64, Dropped: 1, Orphans: 2})
	if strings.HasPrefix(b.got[0], "65227 0>") || !strings.HasPrefix(b.got[63], "65227 64>") {
		t.Errorf("the newest was dropped: first %s, last %s", b.got[0], b.got[63])
	}
}
