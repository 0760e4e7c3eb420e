package survey

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/internal/config"
)

var update = flag.Bool("update", false, "write the golden files anew")

func surveyLog(t *testing.T, name string) *Report {
	t.Helper()
	s, err := New(config.Default())
	if err != nil {
		t.Fatal(err)
	}
	log, err := canbus.OpenLogs(filepath.Join("..", "..", "testdata", "real", "can", name))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	frames := make([]canbus.Frame, 512)
	for {
		n, err := log.Read(frames)
		for i := range frames[:n] {
			s.Frame(&frames[i])
		}
		if errors.Is(err, io.EOF) {
			return s.Report(log.Interfaces(), log.Stats())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func text(t *testing.T, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.Write(&b, false); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// What the recordings hold was counted with other programs; the figures stand
// with their sources in testdata/real/README.md.
func TestRecordings(t *testing.T) {
	for _, c := range []struct {
		file      string
		addresses []uint8
		counts    map[uint32]int64 // frames by PGN
		words     map[uint8]string // nodes that said their names
		complete  uint64           // long messages by the transport protocol
		aborted   uint64
		codes     []Fault
		states    map[signal.ID]string
		says      []string
	}{
		{
			file: "tractor-start-and-rev.log", addresses: []uint8{0x00, 0x03, 0x06, 0x17, 0x47},
			counts:   map[uint32]int64{61184: 2691, 61444: 1530, 61443: 1529, 126720: 591, 65266: 306, 65247: 123, 60928: 22, 65226: 8},
			words:    map[uint8]string{0x00: "engine", 0x03: "transmission", 0x17: "instrument cluster", 0x06: "function 14", 0x47: "function 52"},
			complete: 8,
			states:   map[signal.ID]string{signal.EngineSpeed.ID: "heard", signal.RotorSpeed.ID: "missing"},
			says:     []string{"The engine runs, 0 to 1256 rpm.", "tractor, agriculture", "Nothing tells of threshing"},
		},
		{
			file: "tractor-gears-difflock.log", addresses: []uint8{0x00, 0x03, 0x06, 0x17, 0x47},
			counts:   map[uint32]int64{61184: 4596, 61444: 2285, 61443: 2284, 126720: 1553, 60928: 19, 65226: 4},
			complete: 10, says: []string{"The engine runs, 0 to 1012 rpm."},
		},
		{
			file: "tractor-keyon-pause.log", addresses: []uint8{0x00, 0x03, 0x06, 0x17, 0x47},
			counts: map[uint32]int64{61184: 2553, 61444: 1475, 61443: 1474, 60928: 25, 65226: 10},
			says:   []string{"The engine runs, 0 to 1011 rpm."},
		},
		{
			file: "boat-n2k-clock-step.log.gz", counts: map[uint32]int64{129025: 1632, 129026: 1393, 129029: 2512, 60928: 49},
			says: []string{"marine", "No engine is heard."},
		},
		{
			file: "tractor-ignition-off.log", addresses: []uint8{0x17}, counts: map[uint32]int64{65535: 37, 60928: 2, 59904: 1, 65226: 1},
			states: map[signal.ID]string{signal.EngineSpeed.ID: "missing"}, says: []string{"No engine is heard."},
		},
		{
			file: "truck-keyon-engine-off.log.gz", addresses: []uint8{0x00, 0x0B, 0x17, 0x19, 0x21, 0x31, 0xFE},
			counts:   map[uint32]int64{61444: 31105, 65265: 12245, 61443: 6211, 65266: 3106, 60416: 470, 60160: 2034, 60928: 1},
			complete: 315 + 63 + 13, aborted: 38,
			codes: []Fault{{Address: 0x00, SPN: 102, FMI: 3}, {Address: 0x0B, SPN: 611, FMI: 14}, {Address: 0x0B, SPN: 627, FMI: 4},
				{Address: 0x0B, SPN: 789, FMI: 2}, {Address: 0x0B, SPN: 790, FMI: 2}, {Address: 0x0B, SPN: 791, FMI: 2},
				{Address: 0x0B, SPN: 792, FMI: 2}, {Address: 0x0B, SPN: 811, FMI: 2}},
			says: []string{"The engine stands."},
		},
		{
			file: "truck-idle-two-channels.log.gz", addresses: []uint8{0x00, 0x55},
			counts: map[uint32]int64{61444: 12719, 65247: 6360, 65265: 1272, 60416: 152, 60160: 531}, complete: 152,
			codes: []Fault{{Address: 0, SPN: 609, FMI: 9}, {Address: 0, SPN: 609, FMI: 12}, {Address: 0, SPN: 980, FMI: 9}, {Address: 0, SPN: 3216, FMI: 20}},
			says:  []string{"none of which said its name", "The engine runs, 646 to 654 rpm."},
		},
		{
			file:      "truck-busy-bus-values-not-available.log.gz",
			addresses: []uint8{0x00, 0x01, 0x03, 0x0B, 0x13, 0x17, 0x19, 0x21, 0x25, 0x2F, 0x30, 0x31, 0x45, 0x47, 0x53, 0x98, 0xE6, 0xEC, 0xED},
			counts:    map[uint32]int64{65280: 7431, 61444: 1116, 61443: 437, 65265: 233, 65266: 182, 65226: 69}, complete: 15,
			states: map[signal.ID]string{signal.EngineSpeed.ID: "not-available", signal.EngineLoad.ID: "not-available", signal.GroundSpeed.ID: "not-available", signal.FuelRate.ID: "not-available"},
			says:   []string{`its speed is "not-available"`},
		},
		{
			file: "boat-n2k-one-minute.log.gz", counts: map[uint32]int64{129025: 1639, 129026: 1390, 127250: 1786, 60928: 68},
			states: map[signal.ID]string{signal.Latitude.ID: "heard", signal.Longitude.ID: "heard", signal.EngineSpeed.ID: "missing"},
			says:   []string{"marine", "No engine is heard."},
		},
	} {
		t.Run(c.file, func(t *testing.T) {
			r := surveyLog(t, c.file)
			var addresses []uint8
			for _, n := range r.Nodes {
				addresses = append(addresses, n.Address)
				if want := c.words[n.Address]; !strings.Contains(n.Words, want) {
					t.Errorf("node %02X is %q, want %q", n.Address, n.Words, want)
				}
			}
			if c.addresses != nil && !slices.Equal(addresses, c.addresses) {
				t.Errorf("addresses %X, want %X", addresses, c.addresses)
			}
			counts := map[uint32]int64{}
			for _, m := range r.Messages {
				if !m.Long {
					counts[m.PGN] += m.Count
				}
			}
			for pgn, want := range c.counts {
				if counts[pgn] != want {
					t.Errorf("PGN %d: %d frames, want %d", pgn, counts[pgn], want)
				}
			}
			var complete, aborted uint64
			for _, k := range r.Transport {
				if k.Kind == "broadcast" || k.Kind == "addressed" {
					complete += k.Complete
					aborted += k.Aborted
				}
			}
			if c.complete > 0 && (complete != c.complete || aborted != c.aborted) {
				t.Errorf("%d complete and %d aborted sessions, want %d and %d", complete, aborted, c.complete, c.aborted)
			}
			var codes []Fault
			for _, f := range r.Faults {
				codes = append(codes, Fault{Address: f.Address, SPN: f.SPN, FMI: f.FMI})
			}
			if c.codes != nil && !slices.Equal(codes, c.codes) {
				t.Errorf("codes %v, want %v", codes, c.codes)
			}
			for id, want := range c.states {
				if got := r.Signals[id].State; got != want {
					t.Errorf("%s is %s, want %s", id, got, want)
				}
			}
			out := text(t, r)
			flat := strings.Join(strings.Fields(out), " ")
			for _, want := range c.says {
				if !strings.Contains(flat, want) {
					t.Errorf("does not say %q:\n%s", want, strings.Join(r.Verdict, "\n"))
				}
			}
			for line := range strings.Lines(out) {
				if n := len([]rune(line)); n > 81 {
					t.Errorf("%d columns: %s", n, line)
				}
			}
			if again := text(t, surveyLog(t, c.file)); again != out {
				t.Error("a second run reads otherwise")
			}
			mustLoad(t, r.Config)
			if b, err := json.Marshal(r); err != nil || !json.Valid(b) {
				t.Error(err)
			}
		})
	}
}

func mustLoad(t *testing.T, text string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, wrong := config.Load(path); len(wrong) > 0 {
		t.Errorf("the configuration does not load: %v\n%s", wrong, text)
	}
	// Every example in it is good as well.
	var plain strings.Builder
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, "#"); ok && !strings.HasPrefix(rest, " ") {
			line = rest
		}
		plain.WriteString(line)
	}
	if err := os.WriteFile(path, []byte(plain.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, wrong := config.Load(path); len(wrong) > 0 {
		t.Errorf("the examples do not load: %v\n%s", wrong, plain.String())
	}
}

func TestGolden(t *testing.T) {
	for _, name := range []string{"tractor-start-and-rev.log", "truck-idle-two-channels.log.gz"} {
		golden := filepath.Join("testdata", name+".txt")
		got := text(t, surveyLog(t, name))
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s reads otherwise; if that is right, run with -update", name)
		}
	}
}

// A make-believe combine that sends all, one without its maker's frames, and
// one that tells of nothing but engine, speed and position.
func TestWhatACombineTells(t *testing.T) {
	for _, c := range []struct {
		set           string
		heard, absent []signal.ID
		possible      []string
	}{
		{"full", []signal.ID{signal.RotorSpeed.ID, signal.GrainFlow.ID, signal.SeparationLoss.ID, signal.CutWidth.ID, signal.EngineLoad.ID},
			nil, []string{"rotor-slowing", "feed-drop", "engine-overload"}},
		{"generic", []signal.ID{signal.GrainFlow.ID, signal.CutWidth.ID, signal.EngineLoad.ID},
			[]signal.ID{signal.RotorSpeed.ID, signal.SeparationLoss.ID, signal.Returns.ID}, []string{"feed-drop", "engine-overload"}},
		{"bare", []signal.ID{signal.EngineLoad.ID, signal.GroundSpeed.ID, signal.Latitude.ID},
			[]signal.ID{signal.RotorSpeed.ID, signal.GrainFlow.ID, signal.CutWidth.ID, signal.HeaderWorking.ID}, []string{"engine-overload", "engine-hot"}},
	} {
		t.Run(c.set, func(t *testing.T) {
			sc := virtual.DemoFor(0.05)
			sc.Signals = c.set
			path := filepath.Join(t.TempDir(), "chaffinch.toml")
			if err := os.WriteFile(path, []byte(virtual.ConfigText(sc)), 0o600); err != nil {
				t.Fatal(err)
			}
			cfg, wrong := config.Load(path)
			if len(wrong) > 0 {
				t.Fatal(wrong)
			}
			s, err := New(cfg)
			if err != nil {
				t.Fatal(err)
			}
			combine := virtual.New(sc, 1)
			frames := make([]canbus.Frame, 512)
			for done := false; !done; {
				var n int
				n, done = combine.Next(frames)
				for i := range frames[:n] {
					s.Frame(&frames[i])
				}
			}
			r := s.Report([]string{"can0"}, canbus.Stats{})
			for _, id := range c.heard {
				if r.Signals[id].State != "heard" {
					t.Errorf("%s is %s", id, r.Signals[id].State)
				}
			}
			for _, id := range c.absent {
				if r.Signals[id].State != "missing" {
					t.Errorf("%s is %s", id, r.Signals[id].State)
				}
			}
			for _, a := range r.Alarms {
				if slices.Contains(c.possible, a.Kind) && !a.Possible {
					t.Errorf("%s should be possible: %v", a.Kind, a.Missing)
				}
				if a.Kind == "rotor-slowing" && a.Possible != (c.set == "full") {
					t.Errorf("rotor-slowing possible: %v", a.Possible)
				}
			}
			if r.Interfaces[0].LoadPct <= 5 || r.Interfaces[0].BusiestPct >= 100 {
				t.Errorf("load of the bus: %+v", r.Interfaces[0])
			}
			mustLoad(t, r.Config)
		})
	}
}

func TestEverySignalAndEveryAlarmIsAccountedFor(t *testing.T) {
	seen := map[signal.ID]bool{}
	for _, n := range signalNeeds {
		if seen[n.id] || n.costs == "" {
			t.Errorf("%s stands twice, or without a cost", n.id)
		}
		seen[n.id] = true
	}
	for id := range signal.ID(signal.Count) {
		if !seen[id] {
			t.Errorf("%s has no entry", id)
		}
	}
	for _, k := range detect.Kinds() {
		if k.Speaks == detect.OfProgram {
			continue // it needs no bus
		}
		if !slices.ContainsFunc(kindNeeds, func(n struct {
			kind  string
			needs []need
		}) bool {
			return n.kind == k.Name
		}) {
			t.Errorf("%s: what it needs is not in the table", k.Name)
		}
	}
}

func TestABusWithoutAnything(t *testing.T) {
	s, err := New(config.Default())
	if err != nil {
		t.Fatal(err)
	}
	r := s.Report([]string{"can0"}, canbus.Stats{})
	if out := text(t, r); !strings.Contains(out, "Nothing that speaks J1939") {
		t.Error(out)
	}
	if _, err := json.Marshal(r); err != nil {
		t.Error(err)
	}
}
