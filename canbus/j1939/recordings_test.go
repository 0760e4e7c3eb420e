package j1939

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
)

const recordings = "../../testdata/real/"

// needs skips, or fails if CHAFFINCH_REQUIRE=1, when something outside is absent.
func needs(t testing.TB, reason string) {
	t.Helper()
	if os.Getenv("CHAFFINCH_REQUIRE") == "1" {
		t.Fatal(reason)
	}
	t.Skip(reason)
}

// recorded returns the frames of a recording in event time, and in a second
// list which of them start a new segment.
func recorded(t testing.TB, name string) (frames []canbus.Frame, segments map[int]bool) {
	t.Helper()
	path := recordings + "can/" + name
	if _, err := os.Stat(path); err != nil {
		needs(t, "recording is absent: "+path)
	}
	log, err := canbus.OpenLogs(path)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	var line canbus.Timeline
	segments = map[int]bool{}
	batch := make([]canbus.Frame, 4096)
	for {
		n, err := log.Read(batch)
		for i := range batch[:n] {
			if line.Place(&batch[i]) != canbus.Follows {
				segments[len(frames)] = true
			}
			frames = append(frames, batch[i])
		}
		if errors.Is(err, io.EOF) {
			return frames, segments
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// reassembled feeds a recording and calls each with every message and the
// number of its last frame, counted from 0.
func reassembled(t testing.TB, name string, each func(n int, m *Transfer)) *Reassembler {
	t.Helper()
	frames, segments := recorded(t, name)
	r := NewReassembler()
	for i := range frames {
		if segments[i] {
			r.Reset()
		}
		if m, ok := r.Feed(&frames[i], frames[i].At); ok {
			each(i, &m)
		}
	}
	return r
}

// The facts were counted in the recordings with other tools. Two counts depend
// on how one counts: the key-on log has 29 data packets and 3 announcements
// twice within 10 ms; of the busy bus 14 data packets follow no announcement
// (a reader that drops a session at its first gap counts the 3 after such a
// gap, too). Engine configurations vary: the engine changes its limits.
func TestRecordedSessions(t *testing.T) {
	type fact struct {
		kind    Kind
		pgn     PGN
		source  uint8
		bytes   int
		count   int
		variety int // of different payloads
	}
	cases := []struct {
		log       string
		facts     []fact
		broadcast Counts
		waiting   int
		aborted   uint64 // addressed
	}{
		{log: "tractor-start-and-rev.log", facts: []fact{
			{Broadcast, 65251, 0, 34, 6, 3}, {Addressed, 65251, 0, 34, 2, 2},
		}, broadcast: Counts{Started: 6, Complete: 6}},
		{log: "tractor-gears-difflock.log", facts: []fact{
			{Broadcast, 65251, 0, 34, 9, 4}, {Addressed, 65251, 0, 34, 1, 1},
		}, broadcast: Counts{Started: 9, Complete: 9}},
		{log: "truck-keyon-engine-off.log.gz", facts: []fact{
			{Broadcast, 65226, 0x0B, 30, 315, 1}, {Broadcast, 65251, 0, 39, 63, 1}, {Broadcast, 65259, 0xFE, 28, 13, 1},
		}, broadcast: Counts{Started: 391, Complete: 391, Repeats: 29 + 3}, aborted: 38},
		{log: "truck-idle-two-channels.log.gz", facts: []fact{
			{Broadcast, 65251, 0, 39, 25, 17}, {Broadcast, 65226, 0, 18, 127, 1},
		}, broadcast: Counts{Started: 152, Complete: 152}},
		{log: "truck-busy-bus-values-not-available.log.gz", facts: []fact{
			{Broadcast, 65226, 0, 22, 15, 1},
		}, broadcast: Counts{Started: 20, Complete: 15, TimedOut: 4, Orphans: 14}, waiting: 1},
	}
	for _, c := range cases {
		t.Run(c.log, func(t *testing.T) {
			got := map[fact]int{}
			payloads := map[fact]map[string]bool{}
			r := reassembled(t, c.log, func(_ int, m *Transfer) {
				f := fact{kind: m.Kind, pgn: m.PGN, source: m.Source, bytes: len(m.Payload)}
				got[f]++
				if payloads[f] == nil {
					payloads[f] = map[string]bool{}
				}
				payloads[f][string(m.Payload)] = true
			})
			for _, want := range c.facts {
				f := fact{kind: want.kind, pgn: want.pgn, source: want.source, bytes: want.bytes}
				if got[f] != want.count || len(payloads[f]) != want.variety {
					t.Errorf("%v PGN %d of %d bytes from %d: %d, %d different; want %d, %d", f.kind, f.pgn, f.bytes, f.source,
						got[f], len(payloads[f]), want.count, want.variety)
				}
				delete(got, f)
			}
			for f, n := range got {
				t.Errorf("not in the recording: %d times %+v", n, f)
			}
			s := r.Stats()
			if s[Broadcast] != c.broadcast {
				t.Errorf("broadcast: %+v, want %+v", s[Broadcast], c.broadcast)
			}
			if s[Addressed].Aborted != c.aborted {
				t.Errorf("%d aborted, want %d", s[Addressed].Aborted, c.aborted)
			}
			if r.Waiting(Broadcast) != c.waiting {
				t.Errorf("%d wait at the end, want %d", r.Waiting(Broadcast), c.waiting)
			}
			for k, x := range s {
				if x.Started != x.Complete+x.Aborted+x.TimedOut+x.Dropped+uint64(r.Waiting(Kind(k))) {
					t.Errorf("%v: the counts do not add up: %+v", Kind(k), x)
				}
			}
		})
	}
}

// canboat's own test of transport reassembly: a list of 18 satellites in 219
// bytes, then an announcement that is aborted (without naming its group) and
// whose data packet still comes.
func TestCanboatTransport(t *testing.T) {
	path := recordings + "check/canboat-iso-tp-test.in"
	text, err := os.ReadFile(path)
	if err != nil {
		needs(t, "check file is absent: "+path)
	}
	expected, err := os.ReadFile(strings.TrimSuffix(path, "in") + "out")
	if err != nil {
		needs(t, err.Error())
	}
	r := NewReassembler()
	var start time.Time
	var got []string
	var payload []byte
	for _, line := range strings.Fields(string(text)) {
		p := strings.Split(line, ",")
		when, err := time.Parse(time.RFC3339, p[0])
		if err != nil || len(p) != 14 {
			t.Fatalf("%q: %v", line, err)
		}
		if start.IsZero() {
			start = when
		}
		var n [4]uint32
		for i := range n {
			v, err := strconv.Atoi(p[1+i])
			if err != nil {
				t.Fatal(err)
			}
			n[i] = uint32(v)
		}
		f := canbus.Frame{ID: n[0]<<26 | n[1]<<8 | n[3]<<8 | n[2], Len: 8, Flags: canbus.Extended}
		for i := range f.Data {
			b, _ := strconv.ParseUint(p[6+i], 16, 8)
			f.Data[i] = byte(b)
		}
		f.At = 0
		f.At = f.At.Add(when.Sub(start))
		if m, ok := r.Feed(&f, f.At); ok {
			got = append(got, fmt.Sprintf("%d from %d to %d, %d bytes", m.PGN, m.Source, m.Destination, len(m.Payload)))
			payload = bytes.Clone(m.Payload)
		}
	}
	if want := []string{"129540 from 23 to 255, 219 bytes"}; strings.Join(got, ";") != strings.Join(want, ";") {
		t.Fatalf("got %v, want %v", got, want)
	}
	// PGN 129540: sequence, mode, number of satellites, 12 bytes for each.
	for i := range int(payload[2]) {
		sat := payload[3+12*i:]
		elevation := float64(int16(uint16(sat[1])|uint16(sat[2])<<8)) * 1e-4 * 57.29578
		want := fmt.Sprintf(`{"PRN":%d,"Elevation":%.1f,`, sat[0], elevation)
		if !bytes.Contains(expected, []byte(want)) {
			t.Errorf("satellite %d: %s is not in canboat's output", i, want)
		}
	}
	if !bytes.Contains(expected, fmt.Appendf(nil, `"SID":%d,"Sats in View":%d,`, payload[0], payload[2])) {
		t.Errorf("sequence %d and %d satellites are not in canboat's output", payload[0], payload[2])
	}
	if s := r.Stats()[Broadcast]; s != (Counts{Started: 2, Complete: 1, Aborted: 1, Orphans: 1}) {
		t.Errorf("counts %+v", s)
	}
}

// Wireshark's ISObus dissector reassembles RTS/CTS sessions (not broadcasts,
// and it knows no fast packets). Its payload has the three bytes of the group
// in front.
func TestAddressedSessionsAgainstTshark(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		needs(t, "tshark is absent")
	}
	for _, log := range []string{"tractor-start-and-rev.log", "tractor-gears-difflock.log", "tractor-keyon-pause.log"} {
		t.Run(log, func(t *testing.T) {
			out, err := exec.Command("tshark", "-r", filepath.Join(recordings, "can", log), "-d", "can.subdissector,isobus",
				"-Y", "isobus.reassembled.length", "-T", "fields", "-e", "frame.number", "-e", "isobus.src_addr",
				"-e", "isobus.dst_addr", "-e", "isobus.reassembled.data").Output()
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			reassembled(t, log, func(n int, m *Transfer) {
				if m.Kind == Addressed {
					got = append(got, fmt.Sprintf("%d %d %d %02x%02x%02x%x", n+1, m.Source, m.Destination,
						uint8(m.PGN), uint8(m.PGN>>8), uint8(m.PGN>>16), m.Payload))
				}
			})
			want := strings.Split(strings.TrimSpace(string(out)), "\n")
			if len(want) == 0 || len(want) != len(got) {
				t.Fatalf("%d sessions, tshark has %d", len(got), len(want))
			}
			for i := range want {
				// tshark keeps the padding of the last packet.
				if w := strings.Join(strings.Fields(want[i]), " "); !strings.HasPrefix(w, got[i]) {
					t.Errorf("got    %s\ntshark %s", got[i], w)
				}
			}
		})
	}
}

// tshark does not reassemble broadcasts; it reads their announcements.
func TestAnnouncementsAgainstTshark(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		needs(t, "tshark is absent")
	}
	const log = "tractor-keyon-pause.log"
	out, err := exec.Command("tshark", "-r", filepath.Join(recordings, "can", log), "-d", "can.subdissector,isobus",
		"-Y", "isobus.transport_protocol.control_byte == 32", "-T", "fields", "-e", "isobus.src_addr",
		"-e", "isobus.transport_protocol.broadcast_announce_message.pgn",
		"-e", "isobus.transport_protocol.broadcast_announce_message.total_message_size").Output()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	reassembled(t, log, func(_ int, m *Transfer) {
		if m.Kind == Broadcast {
			got = append(got, fmt.Sprintf("%d\t0x%06x\t%d", m.Source, uint32(m.PGN), len(m.Payload)))
		}
	})
	if want := strings.TrimSpace(string(out)); want == "" || strings.Join(got, "\n") != want {
		t.Errorf("messages\n%s\nannounced\n%s", strings.Join(got, "\n"), want)
	}
}
