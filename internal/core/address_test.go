package core

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"

	"pgregory.net/rapid"
)

// wire is a core, and frames for it written by hand, ten milliseconds apart.
type wire struct {
	*testing.T
	*Core
	now   int64
	state machine.State
}

func newWire(t *testing.T, toml string) *wire {
	t.Helper()
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	if err := os.WriteFile(path, []byte(toml), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	w := &wire{T: t, now: int64(time.Hour)}
	c, err := New(cfg, Outputs{State: func(s *machine.State) { w.state = *s }})
	if err != nil {
		t.Fatal(err)
	}
	w.Core = c
	return w
}

func (w *wire) send(lines ...string) {
	w.Helper()
	for _, line := range lines {
		id, data, _ := strings.Cut(line, "#")
		n, err := strconv.ParseUint(id, 16, 29)
		if err != nil {
			w.Fatal(err)
		}
		b, err := hex.DecodeString(data)
		if err != nil {
			w.Fatal(err)
		}
		w.now += int64(10 * time.Millisecond)
		f := canbus.Frame{Stamp: w.now, ID: uint32(n), Flags: canbus.Extended}
		f.Len = uint8(copy(f.Data[:], b))
		w.Frame(&f)
	}
}

// pass lets time go by with frames of another node.
func (w *wire) pass(d time.Duration) {
	for end := w.now + int64(d); w.now < end; {
		w.send("18FEEE30#FFFFFFFFFFFFFFFF")
	}
}

func claim(address uint8, name uint64) string {
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], name)
	return "18EEFF" + hex.EncodeToString([]byte{address}) + "#" + hex.EncodeToString(b[:])
}

// rotor wants a value of the rotor in the newest state; 0 is none.
func (w *wire) rotor(why string, want float64) {
	w.Helper()
	w.pass(100 * time.Millisecond)
	got, fresh := signal.RotorSpeed.Fresh(&w.state.Signals, w.state.Now)
	if float64(got) != want || fresh != (want != 0) {
		w.Errorf("%s: the rotor is at %v rpm (fresh %v), want %v", why, got, fresh, want)
	}
}

const rotorAt21 = `
[[map]]
signal = "rotor_speed_rpm"
pgn = 65301
source = 0x21
start_bit = 0
length = 16
`

const (
	thresher = uint64(0xA00E840000000007) // NAMEs of agricultural machines; the number is the node's own
	stranger = uint64(0xA00E840000000003)
)

func TestASourceIsFollowedByItsNAME(t *testing.T) {
	const at21, at80 = "0CFF1521#", "0CFF1580#"
	for _, onChange := range []bool{false, true} {
		w := newWire(t, rotorAt21+"on_change = "+strconv.FormatBool(onChange)+"\n")
		w.send(at80 + "2003FFFFFFFFFFFF")
		w.rotor("the address is not the one that was given", 0)
		w.send(at21 + "2003FFFFFFFFFFFF")
		w.rotor("no claim has been heard", 800)
		w.send(claim(0x21, thresher))
		w.rotor("the claim says who it is", 800)

		w.send(claim(0x80, thresher))
		if onChange {
			w.rotor("a value that is sent on change holds over the move", 800)
		}
		w.send(at80 + "8403FFFFFFFFFFFF")
		w.rotor("it moved in mid-shift", 900)
		w.send(claim(0x21, stranger), at21+"6400FFFFFFFFFFFF")
		w.rotor("a stranger has its old address", 900)

		w.send(claim(0xFE, thresher))
		w.rotor("it can not claim", 0)
		w.send(at80+"8403FFFFFFFFFFFF", at21+"6400FFFFFFFFFFFF")
		w.rotor("nobody is the thresher now", 0)
		w.send(claim(0x90, thresher), "0CFF1590#B603FFFFFFFFFFFF")
		w.rotor("it found an address", 950)

		// A lower NAME takes it at once; until the thresher claims again it is nowhere.
		w.send(claim(0x90, stranger), "0CFF1590#6400FFFFFFFFFFFF")
		w.rotor("the address was taken over", 0)
		w.send(claim(0x21, thresher), at21+"5203FFFFFFFFFFFF")
		w.rotor("it is back where it was", 850)

		// Commanded address (SAE J1939-81): NAME and address in nine bytes, by BAM.
		name := claim(0, thresher)[9:]
		w.send("1CECFF30#20090002FFD8FE00", "1CEBFF30#01"+name[:14], "1CEBFF30#02"+name[14:]+"80FFFFFFFFFF")
		w.rotor("an order alone moves nobody", 850)
		w.send(at21 + "5203FFFFFFFFFFFF")
		w.rotor("an order alone moves nobody", 850)
		w.send(claim(0x80, thresher), at80+"8403FFFFFFFFFFFF")
		w.rotor("it went where it was sent", 900)
	}
}

func TestANodeThatIsNamedInTheConfigurationIsFoundByItsClaim(t *testing.T) {
	w := newWire(t, strings.Replace(rotorAt21, "source = 0x21", `source_name = "A00E840000000007"`, 1))
	w.send("0CFF1521#2003FFFFFFFFFFFF")
	w.rotor("nobody has claimed", 0)
	w.send(claim(0x21, stranger), "0CFF1521#2003FFFFFFFFFFFF")
	w.rotor("another has claimed", 0)
	w.send(claim(0x44, thresher), "0CFF1544#2003FFFFFFFFFFFF")
	w.rotor("it has claimed", 800)
}

// What an old node said does not live on because a new one speaks from its address.
func TestNothingOfANodeSurvivesATakeover(t *testing.T) {
	w := newWire(t, rotorAt21+"on_change = true\n")
	fault := "18FECA21#04FF6F0A0301FFFF" // SPN 2671 FMI 3, amber lamp
	w.send(claim(0x21, thresher), "0CFF1521#2003FFFFFFFFFFFF", fault)
	w.pass(time.Second)
	w.send(fault)
	w.rotor("as it was sent", 800)
	if len(w.state.Faults) != 1 {
		t.Fatalf("faults are %v", w.state.Faults)
	}
	w.send(claim(0x21, stranger))
	for range 30 {
		w.send("18FEEE21#FFFFFFFFFFFFFFFF")
	}
	w.rotor("the sender is gone", 0)
	if len(w.state.Faults) != 0 {
		t.Errorf("faults are %v", w.state.Faults)
	}
}

// A node that moves takes its fault codes along: none ends and comes anew
// because its sender has another address for half a second.
func TestFaultsMoveWithTheirNode(t *testing.T) {
	w := newWire(t, "")
	fault := "18FECA21#04FF6F0A0301FFFF"
	w.send(claim(0x21, thresher), fault)
	w.pass(time.Second)
	w.send(fault)
	w.pass(100 * time.Millisecond)
	since := w.state.Faults[0].Since
	w.send(claim(0x80, thresher))
	w.pass(200 * time.Millisecond)
	if f := w.state.Faults; len(f) != 1 || f[0].Source.Address != 0x80 || f[0].Since != since {
		t.Errorf("faults are %+v", f)
	}
}

// A field behind the eighth byte, by each way in which long messages come. The
// frames are laid out by SAE J1939-21 (BAM; RTS, CTS) and NMEA 2000.
func TestAMapOfALongMessage(t *testing.T) {
	long := strings.Replace(rotorAt21, "start_bit = 0", "start_bit = 72\nwhen = { start_bit = 88, length = 8, equals = 5 }", 1)
	for _, c := range []struct {
		name, toml string
		frames     []string
	}{
		{"broadcast", long, []string{"1CECFF21#200C0002FF15FF00", "1CEBFF21#0100000000000000", "1CEBFF21#0200002003" + "05FFFF"}},
		{"addressed", strings.Replace(long, "65301", "61184", 1), []string{"1CEC2621#100C0002FF00EF00", "1CEC2126#110201FFFF00EF00",
			"1CEB2621#0100000000000000", "1CEB2621#0200002003" + "05FFFF"}},
		{"extended", long, etp()},
		{"fast packet", strings.Replace(long, "65301", "130816", 1), []string{"19FF0021#400C000000000000", "19FF0021#41000000200305FF"}},
	} {
		w := newWire(t, c.toml)
		w.send(c.frames...)
		w.rotor(c.name, 800)
	}
}

// etp is a message of 1786 bytes from 21 to 26, the shortest that ISO 11783-3
// carries by ETP, with 800 in bytes 10 and 11 and 5 in byte 12.
func etp() []string {
	lines := []string{"1CC82621#14FA060000" + "15FF00", "1CC82621#16FF000000" + "15FF00"}
	for n := 1; n <= 256; n++ {
		packet := "00000000000000"
		if n == 2 {
			packet = "00002003050000"
		}
		if n == 256 {
			lines = append(lines, "1CC82621#1601FF0000"+"15FF00", "1CC72621#01"+packet[:2]+"FFFFFFFFFFFF")
			continue
		}
		lines = append(lines, fmt.Sprintf("1CC72621#%02X%s", n, packet))
	}
	return lines
}

// Two nodes claim, move, take addresses from each other by the rule that the
// lower NAME wins, give up, and speak from what they hold. Once the sender of
// the map is known by its NAME, the other is never taken for it.
func TestAStrangerIsNeverTakenForTheSource(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := newWire(t, rotorAt21)
		names := [2]uint64{thresher, stranger}
		if rapid.Bool().Draw(rt, "the thresher wins") {
			names[1] = thresher + 1
		}
		held := [2]int{0x21, -1}
		w.send(claim(0x21, names[0]))
		speak := func(who int) {
			if held[who] >= 0 {
				w.send(fmt.Sprintf("0CFF15%02X#%sFFFFFFFFFFFF", held[who], [2]string{"8403", "6400"}[who])) // 900 or 100
			}
		}
		for range rapid.IntRange(1, 25).Draw(rt, "steps") {
			who := rapid.IntRange(0, 1).Draw(rt, "who")
			switch rapid.IntRange(0, 3).Draw(rt, "does") {
			case 0:
				to := rapid.SampledFrom([]int{0x21, 0x80, 0x81}).Draw(rt, "to")
				w.send(claim(uint8(to), names[who]))
				switch other := 1 - who; {
				case held[other] != to:
					held[who] = to
				case names[who] < names[other]:
					held[who], held[other] = to, -1
					if rapid.Bool().Draw(rt, "says that it has none") {
						w.send(claim(0xFE, names[other]))
					}
				default:
					w.send(claim(uint8(to), names[other]), claim(0xFE, names[who])) // defended
					held[who] = -1
				}
			case 1:
				w.send(claim(0xFE, names[who]))
				held[who] = -1
			default:
				speak(who)
			}
			w.pass(100 * time.Millisecond)
			if v, fresh := signal.RotorSpeed.Fresh(&w.state.Signals, w.state.Now); fresh && v != 900 {
				rt.Fatalf("the stranger is taken for the thresher: %v", v)
			}
		}
		speak(0)
		w.pass(100 * time.Millisecond)
		if v, fresh := signal.RotorSpeed.Fresh(&w.state.Signals, w.state.Now); fresh != (held[0] >= 0) || fresh && v != 900 {
			rt.Fatalf("the thresher at %X: %v (fresh %v)", held[0], v, fresh)
		}
	})
}
