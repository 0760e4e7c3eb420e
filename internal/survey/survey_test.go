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
	"strconv"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/internal/config"
)

var update = flag.Bool("update", false, "write the golden files anew")

func newSurvey(t *testing.T) *Survey {
	t.Helper()
	s, err := New(config.Default())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func surveyLog(t *testing.T, name string) *Report {
	t.Helper()
	s := newSurvey(t)
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

func text(t *testing.T, r *Report, all bool) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.Write(&b, all); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestRecordings(t *testing.T) {
	reports := map[string]*Report{}
	for _, c := range expectations {
		reports[c.file] = surveyLog(t, c.file)
		t.Run(c.file, func(t *testing.T) { c.check(t, reports[c.file]) })
	}
	t.Run("what others counted", func(t *testing.T) { whatOthersCounted(t, reports) })
	t.Run("every sender of a signal", func(t *testing.T) { everySenderOfASignal(t, reports) })
	t.Run("form", func(t *testing.T) { formOfTheReport(t, reports) })
	t.Run("golden", func(t *testing.T) { golden(t, reports) })
}

// counted is what testdata/counted.tsv says of a recording.
type counted struct {
	file                       string
	frames, extended, standard int64
	addresses                  []uint8
	groups                     map[uint32]int64
}

func readCounted(t *testing.T) []counted {
	t.Helper()
	file, err := os.ReadFile(filepath.Join("testdata", "counted.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	number := func(text string, base int) int64 {
		n, err := strconv.ParseInt(text, base, 64)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	var all []counted
	for line := range strings.Lines(string(file)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimSpace(line), "\t")
		c := counted{file: f[0], frames: number(f[1], 10), extended: number(f[2], 10), standard: number(f[3], 10), groups: map[uint32]int64{}}
		for a := range strings.FieldsSeq(f[4]) {
			c.addresses = append(c.addresses, uint8(number(a, 16)))
		}
		for g := range strings.FieldsSeq(f[5]) {
			pgn, n, _ := strings.Cut(g, "=")
			c.groups[uint32(number(pgn, 10))] = number(n, 10)
		}
		all = append(all, c)
	}
	return all
}

// Frames, addresses and the twenty most frequent groups of every recording are
// those that other programs counted, no group is more frequent, and the load
// lies within the bounds that ISO 11898-1 gives the length of frames.
func whatOthersCounted(t *testing.T, reports map[string]*Report) {
	all := readCounted(t)
	if len(all) != 9 {
		t.Fatalf("%d recordings", len(all))
	}
	for _, c := range all {
		r := reports[c.file]
		if r.Frames != c.frames || r.Standard != c.standard || r.Frames-r.Standard-r.Errors != c.extended {
			t.Errorf("%s: %d frames, %d of 11 bits", c.file, r.Frames, r.Standard)
		}
		var addresses []uint8
		var frames int64
		for _, n := range r.Nodes {
			addresses = append(addresses, n.Address)
			frames += n.Frames
		}
		if !slices.Equal(addresses, c.addresses) || frames != c.extended {
			t.Errorf("%s: addresses %X, want %X", c.file, addresses, c.addresses)
		}
		got := map[uint32]int64{}
		for _, m := range r.Messages {
			if !m.Whole {
				got[m.PGN] += m.Count
			}
		}
		least := c.frames
		for pgn, want := range c.groups {
			if got[pgn] != want {
				t.Errorf("%s: PGN %d: %d frames, want %d", c.file, pgn, got[pgn], want)
			}
			least = min(least, want)
		}
		for pgn, n := range got {
			if _, known := c.groups[pgn]; !known && (n > least || len(c.groups) < 20) {
				t.Errorf("%s: PGN %d with %d frames is not among the most frequent", c.file, pgn, n)
			}
		}
		// 67 to 160 bits a frame of 29 bits, and 47 to 135 of 11 (0 to 8 bytes).
		for _, i := range r.Interfaces {
			perFrame := i.LoadPct / 100 * 250_000 * r.DurationS / float64(i.Frames)
			if perFrame < 47 || perFrame > 160 || i.BusiestPct < i.LoadPct-0.5 || i.BusiestPct > 100 {
				t.Errorf("%s: %+v: %.0f bits a frame", c.file, i, perFrame)
			}
		}
	}
}

// Every sender of a signal is told, with what it says: the counts are those of
// testdata/real/README.md.
func everySenderOfASignal(t *testing.T, reports map[string]*Report) {
	senders := func(s Signal, route string) (from []uint8, good, without int64) {
		for _, w := range s.Ways {
			if w.Route == route {
				from = append(from, w.Address)
				good, without = good+w.Good, without+w.Unusable
			}
		}
		slices.Sort(from)
		return from, good, without
	}
	for _, c := range []struct {
		file, route   string
		id            signal.ID
		from          []uint8
		good, without int64
	}{
		{"truck-keyon-engine-off.log.gz", "PGN 65265 SPN 84", signal.GroundSpeed.ID, []uint8{0x00, 0x17, 0x21, 0x31}, 9182, 3063},
		{"truck-keyon-engine-off.log.gz", "PGN 61444 SPN 190", signal.EngineSpeed.ID, []uint8{0}, 31105, 0},
		{"tractor-start-and-rev.log", "PGN 65097 SPN 1859", signal.GroundSpeed.ID, []uint8{0x47}, 0, 98},
		{"truck-busy-bus-values-not-available.log.gz", "PGN 61444 SPN 190", signal.EngineSpeed.ID, []uint8{0}, 0, 1116},
		{"truck-busy-bus-values-not-available.log.gz", "PGN 61443 SPN 92", signal.EngineLoad.ID, nil, 0, 437},
		{"truck-busy-bus-values-not-available.log.gz", "PGN 65265 SPN 84", signal.GroundSpeed.ID, nil, 0, 233},
		{"truck-busy-bus-values-not-available.log.gz", "PGN 65266 SPN 183", signal.FuelRate.ID, nil, 0, 182},
		{"boat-n2k-one-minute.log.gz", "PGN 129025", signal.Latitude.ID, []uint8{0x14, 0x15, 0x1F, 0x7F}, -1, -1},
	} {
		r := reports[c.file]
		from, good, without := senders(r.Signals[c.id], c.route)
		if c.from != nil && !slices.Equal(from, c.from) {
			t.Errorf("%s: %s from %X, want %X", c.file, c.id, from, c.from)
		}
		if c.good >= 0 && (good != c.good || without != c.without) {
			t.Errorf("%s: %s: %d values and %d without, want %d and %d", c.file, c.id, good, without, c.good, c.without)
		}
	}
}

// The same log gives the same bytes; no line is wider than a terminal; and the
// JSON form reads back to the same report.
func formOfTheReport(t *testing.T, reports map[string]*Report) {
	recordings := expectations
	if testing.Short() {
		recordings = append(slices.Clone(expectations[:4]), expectations[8])
	}
	for _, c := range recordings {
		r, again := reports[c.file], surveyLog(t, c.file)
		for _, all := range []bool{false, true} {
			out := text(t, r, all)
			for line := range strings.Lines(out) {
				if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 80 {
					t.Errorf("%s: %d columns: %s", c.file, n, line)
				}
			}
			if text(t, again, all) != out {
				t.Errorf("%s: a second run reads otherwise", c.file)
			}
			if cut := strings.Contains(out, "--all shows them"); all && cut {
				t.Errorf("%s: not all is shown", c.file)
			}
		}
		one, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		two, _ := json.Marshal(again)
		if !bytes.Equal(one, two) {
			t.Errorf("%s: a second run gives other JSON", c.file)
		}
		var back Report
		decoder := json.NewDecoder(bytes.NewReader(one))
		decoder.DisallowUnknownFields()
		if err := decoder.Decode(&back); err != nil {
			t.Fatal(err)
		}
		if three, _ := json.Marshal(&back); !bytes.Equal(one, three) {
			t.Errorf("%s: JSON does not read back", c.file)
		}
	}
}

func golden(t *testing.T, reports map[string]*Report) {
	for _, name := range []string{"tractor-start-and-rev.log", "truck-idle-two-channels.log.gz", "boat-n2k-one-minute.log.gz"} {
		path := filepath.Join("testdata", name+".txt")
		got := text(t, reports[name], false)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s reads otherwise; if that is right, run with -update", name)
		}
	}
}
