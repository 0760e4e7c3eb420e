package decode

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// report makes a DM1 of codes.
func report(t *FaultTable, address uint8, at signal.Instant, lamp byte, codes ...[2]int) {
	payload := []byte{lamp, 0xFF}
	for _, c := range codes {
		payload = append(payload, byte(c[0]), byte(c[0]>>8), byte(c[0]>>16<<5)|byte(c[1]), 1)
	}
	if len(codes) == 0 {
		payload = append(payload, 0, 0, 0, 0)
	}
	dm, _ := j1939.ParseDiagnostic(payload, make([]j1939.Code, 0, maxCodes))
	t.Report(signal.Source{Address: address, Route: 5}, at, &dm)
}

func active(t *FaultTable, at signal.Instant) string {
	var all []string
	for _, c := range t.Active(at) {
		all = append(all, fmt.Sprintf("%d:%d-%d", c.Source.Address, c.SPN, c.FMI))
	}
	return strings.Join(all, " ")
}

func TestFaultsComeAndGo(t *testing.T) {
	check := func(f *FaultTable, at signal.Instant, want string) {
		t.Helper()
		if got := active(f, at); got != want {
			t.Errorf("at %v s: %q, want %q", at.Seconds(), got, want)
		}
	}
	f := NewFaultTable()
	report(&f, 7, 0, 4, [2]int{1488, 1})
	check(&f, second, "") // reported once
	report(&f, 7, second, 4, [2]int{1488, 1})
	check(&f, second, "7:1488-1")
	report(&f, 0, second, 0x10, [2]int{110, 0}, [2]int{100, 1})
	report(&f, 0, 2*second, 0x10, [2]int{110, 0}, [2]int{100, 1})
	check(&f, 2*second, "0:100-1 0:110-0 7:1488-1")
	report(&f, 0, 3*second, 0x10, [2]int{110, 0})
	check(&f, 3*second, "0:110-0 7:1488-1") // missing from a later DM1
	report(&f, 0, 4*second, 0)
	check(&f, 4*second, "7:1488-1") // SPN 0 FMI 0: none
	check(&f, 6*second, "7:1488-1")
	check(&f, 6*second+1, "") // 5 s without a DM1
	// One report counts once it has stood for 2 s.
	report(&f, 7, 10*second, 4, [2]int{1488, 1})
	check(&f, 12*second-1, "")
	check(&f, 12*second, "7:1488-1")
	f.Forget(0, 7)
	check(&f, 12*second, "")
}

func TestFaultsKeepLampCountAndBeginning(t *testing.T) {
	f := NewFaultTable()
	report(&f, 7, second, 0x04, [2]int{520200, 19})
	report(&f, 7, 2*second, 0x10, [2]int{520200, 19})
	c := f.Active(2 * second)
	if len(c) != 1 || c[0].Lamp != j1939.StopLamp || c[0].Since != second || c[0].Count != 1 || c[0].Source != (signal.Source{Address: 7}) || c[0].SPN != 520200 {
		t.Errorf("%+v", c)
	}
}

func TestTooManyFaults(t *testing.T) {
	f := NewFaultTable()
	var codes [][2]int
	for i := range maxCodes + 5 {
		codes = append(codes, [2]int{100 + i, 1})
	}
	for at := range signal.Instant(2) {
		for node := range uint8(6) {
			report(&f, node, at*second, 4, codes...)
		}
	}
	if n := len(f.Active(second)); n != maxActive {
		t.Errorf("%d codes are kept", n)
	}
	if f.Dropped() == 0 {
		t.Error("dropped codes are not counted")
	}
}

// The table against a slow model: a code is active when its node's newest DM1
// holds it, is at most 5 s old, and the unbroken run of DM1 that hold it has two
// reports or began 2 s ago.
func TestFaultTableAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := NewFaultTable()
		type entry struct {
			at    signal.Instant
			codes map[int]bool
		}
		history := map[uint8][]entry{}
		now := signal.Instant(0)
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			now += signal.Instant(rapid.Int64Range(0, 7e9).Draw(t, "pause"))
			node := rapid.Uint8Range(0, 2).Draw(t, "node")
			e := entry{now, map[int]bool{}}
			var codes [][2]int
			for spn := 1; spn <= 3; spn++ {
				if rapid.Bool().Draw(t, "active") {
					codes = append(codes, [2]int{spn, 2})
					e.codes[spn] = true
				}
			}
			report(&f, node, now, 0, codes...)
			history[node] = append(history[node], e)

			var want []string
			for node := range uint8(3) {
				h := history[node]
				for spn := 1; spn <= 3; spn++ {
					reports, since, next := 0, signal.Instant(0), now
					for i := len(h) - 1; i >= 0 && h[i].codes[spn] && next.Sub(h[i].at) <= forgotten; i-- {
						reports, since, next = reports+1, h[i].at, h[i].at
					}
					if reports >= 2 || reports == 1 && now.Sub(since) >= settled {
						want = append(want, fmt.Sprintf("%d:%d-2", node, spn))
					}
				}
			}
			if got := active(&f, now); got != strings.Join(want, " ") {
				t.Fatalf("at %v: %q, want %q", now, got, want)
			}
		}
	})
}

// What a DM1 holds beyond the codes that are read is not known to be gone.
func TestCutDM1KeepsWhatItMayHold(t *testing.T) {
	f := NewFaultTable()
	report(&f, 0, 0, 4, [2]int{9999, 3})
	var codes [][2]int
	for i := range maxCodes {
		codes = append(codes, [2]int{100 + i, 1})
	}
	report(&f, 0, second, 4, append(codes, [2]int{9999, 3})...)
	if !strings.HasSuffix(active(&f, 2*second), "0:9999-3") {
		t.Errorf("active: %s", active(&f, 2*second))
	}
}
