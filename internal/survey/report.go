package survey

import (
	"cmp"
	"slices"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Report is what a survey found. Its JSON form is for other programs; names
// carry their units.
type Report struct {
	Verdict    []string    `json:"verdict"` // sentences
	DurationS  float64     `json:"duration_s"`
	Frames     int64       `json:"frames"`
	Standard   int64       `json:"frames_11_bit"`
	Errors     int64       `json:"error_frames"`
	BadLines   int         `json:"bad_lines"`
	Interfaces []Interface `json:"interfaces"`
	Nodes      []Node      `json:"nodes"`
	Messages   []Message   `json:"messages"`
	Transport  []Transport `json:"transport"`
	Signals    []Signal    `json:"signals"`
	Alarms     []Alarm     `json:"alarms"`
	Faults     []Fault     `json:"fault_codes"`
	Pools      int         `json:"device_descriptor_pools"`
	Tasks      bool        `json:"task_controller"` // one is there, by its status
	Time       string      `json:"bus_time,omitempty"`
	Config     string      `json:"config"` // ready to use
}

// Interface is how full a bus is.
type Interface struct {
	Name       string  `json:"name"`
	LoadPct    float64 `json:"load_pct"`         // mean, at the configured bit rate
	BusiestPct float64 `json:"busiest_load_pct"` // of the busiest second
}

// Node is who sends.
type Node struct {
	Interface string  `json:"interface"`
	Address   uint8   `json:"address"`
	Name      string  `json:"name,omitempty"` // 16 hex digits, if it was claimed
	Words     string  `json:"words"`
	Frames    int64   `json:"frames"`
	SharePct  float64 `json:"share_of_traffic_pct"`
}

// Message is what a node sends of one parameter group.
type Message struct {
	Interface string  `json:"interface"`
	Address   uint8   `json:"address"`
	PGN       uint32  `json:"pgn"`
	Words     string  `json:"words"`
	Long      bool    `json:"in_several_frames"`
	Bytes     int     `json:"bytes"`
	Count     int64   `json:"count"`
	RateHz    float64 `json:"rate_hz"`
	PeriodMs  float64 `json:"period_ms"` // median interval
	JitterMs  float64 `json:"jitter_ms"` // 95 % of the intervals are that near to the median
}

// Transport is what became of long messages of one kind.
type Transport struct {
	Kind     string `json:"kind"`
	Complete uint64 `json:"complete"`
	Aborted  uint64 `json:"aborted"`
	Lost     uint64 `json:"lost"` // packets missing, or contradicted
	Orphans  uint64 `json:"packets_without_session"`
	Repeats  uint64 `json:"packets_twice"`
}

// Signal is what was heard of a signal.
type Signal struct {
	Name    string  `json:"signal"`
	State   string  `json:"state"` // heard, silent, not-available, error, out-of-range, missing
	Unit    string  `json:"unit,omitempty"`
	Ways    []Way   `json:"ways,omitempty"` // the fullest first
	SilentS float64 `json:"silent_s,omitempty"`
	Costs   string  `json:"costs,omitempty"`
	Do      string  `json:"do,omitempty"`
	id      signal.ID
}

// Way is a sender and a route of a signal.
type Way struct {
	Interface string  `json:"interface"`
	Address   uint8   `json:"address"`
	Route     string  `json:"route"`
	RateHz    float64 `json:"rate_hz"`
	Good      int64   `json:"good"`
	Unusable  int64   `json:"unusable"`
	Lowest    float64 `json:"lowest"`
	Highest   float64 `json:"highest"`
}

// Alarm is whether a kind of alarm could be judged.
type Alarm struct {
	Kind     string   `json:"kind"`
	Possible bool     `json:"possible"`
	Missing  []string `json:"missing,omitempty"` // each entry names what would do
}

// Fault is a trouble code that was active.
type Fault struct {
	Interface string `json:"interface"`
	Address   uint8  `json:"address"`
	SPN       uint32 `json:"spn"`
	FMI       uint8  `json:"fmi"`
	Words     string `json:"words"`
}

// Report says what was found. Names are those of the interfaces.
func (s *Survey) Report(names []string, log canbus.Stats) *Report {
	r := &Report{
		DurationS: s.heardFor.Seconds(), Frames: s.frames, Standard: s.standard,
		Errors: s.errorFrames, BadLines: log.Bad, Pools: s.pools, Tasks: len(s.controllers) > 0,
	}
	name := func(i uint8) string {
		if int(i) < len(names) {
			return names[i]
		}
		return "?"
	}
	for i := range names {
		if l := s.bits[uint8(i)]; l != nil {
			rate := float64(s.cfg.Bus.Bitrate)
			r.Interfaces = append(r.Interfaces, Interface{names[i], 100 * float64(l.bits) / rate / max(r.DurationS, 1), 100 * float64(l.busiest) / rate})
		}
	}
	r.Nodes = s.listNodes(name)
	r.Messages = s.listMessages(name, r.DurationS)
	r.Transport = s.listTransport()
	r.Signals = s.listSignals(name, r.DurationS)
	r.Alarms = s.listAlarms(r.Signals)
	for f := range s.faults {
		r.Faults = append(r.Faults, Fault{name(f.Source.Interface), f.Source.Address, f.SPN, f.FMI, codeWords(f.SPN, f.FMI)})
	}
	slices.SortFunc(r.Faults, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Interface, b.Interface), cmp.Compare(a.Address, b.Address), cmp.Compare(a.SPN, b.SPN), cmp.Compare(a.FMI, b.FMI))
	})
	if t := s.core.BusClock(); t.Known {
		r.Time = t.UTC.Format("2006-01-02 15:04:05 UTC")
	}
	r.Config = s.configText(r, names)
	r.Verdict = s.verdict(r)
	return r
}

func codeWords(spn uint32, fmi uint8) string {
	what := j1939.SPNWords(spn)
	if what == "" {
		what = "not in the list of common ones"
	}
	return what + ": " + j1939.FMIWords(fmi)
}

func (s *Survey) listNodes(name func(uint8) string) []Node {
	var all []Node
	total := int64(0)
	for _, t := range s.nodes {
		total += t.bits
	}
	for k, t := range s.nodes {
		n := Node{Interface: name(k.Interface), Address: k.Address, Frames: t.frames, SharePct: 100 * float64(t.bits) / float64(max(total, 1))}
		if claimed, ok := s.core.Name(k.Interface, k.Address); ok {
			n.Name, n.Words = nameHex(claimed), nameWords(claimed)
		} else {
			n.Words = s.guess(k)
		}
		all = append(all, n)
	}
	slices.SortFunc(all, func(a, b Node) int {
		return cmp.Or(cmp.Compare(a.Interface, b.Interface), cmp.Compare(a.Address, b.Address))
	})
	return all
}

func (s *Survey) listMessages(name func(uint8) string, duration float64) []Message {
	var all []Message
	for k, f := range s.streams {
		m := Message{Interface: name(k.Interface), Address: k.Address, PGN: uint32(k.pgn), Words: pgnWords(k.pgn), Long: k.long,
			Bytes: f.bytes, Count: f.count, RateHz: float64(f.count) / max(duration, 1)}
		m.PeriodMs, m.JitterMs = f.rhythm()
		all = append(all, m)
	}
	slices.SortFunc(all, func(a, b Message) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.PGN, b.PGN), cmp.Compare(a.Interface, b.Interface), cmp.Compare(a.Address, b.Address))
	})
	return all
}

// rhythm is the median interval, and how near to it 95 % of the intervals are.
func (f *flow) rhythm() (periodMs, jitterMs float64) {
	if len(f.intervals) == 0 {
		return 0, 0
	}
	sorted := slices.Clone(f.intervals)
	slices.Sort(sorted)
	median := sorted[len(sorted)/2]
	for i := range sorted {
		sorted[i] = (sorted[i] - median).Abs()
	}
	slices.Sort(sorted)
	ms := func(d time.Duration) float64 { return float64(d) / 1e6 }
	return ms(median), ms(sorted[(len(sorted)-1)*95/100])
}

func (s *Survey) listTransport() []Transport {
	var all []Transport
	for k, c := range s.core.Transport() {
		if c.Started+c.Orphans+c.Refused > 0 {
			all = append(all, Transport{j1939.Kind(k).String(), c.Complete, c.Aborted, c.TimedOut + c.Dropped, c.Orphans, c.Repeats})
		}
	}
	return all
}

func (s *Survey) listSignals(name func(uint8) string, duration float64) []Signal {
	all := make([]Signal, 0, signal.Count)
	for _, n := range signalNeeds {
		info := n.id.Info()
		out := Signal{Name: info.Name, State: "missing", Unit: info.Unit, id: n.id}
		newest := signal.Never
		quality := signal.Missing
		for k, v := range s.signals {
			if k.id != n.id {
				continue
			}
			out.Ways = append(out.Ways, Way{name(k.from.Interface), k.from.Address, s.core.RouteName(k.from.Route),
				float64(v.good+v.other) / max(duration, 1), v.good, v.other, v.min, v.max})
			if v.at > newest {
				newest = v.at
			}
			if v.quality > quality {
				quality = v.quality
			}
		}
		slices.SortFunc(out.Ways, func(a, b Way) int {
			return cmp.Or(cmp.Compare(b.Good, a.Good), cmp.Compare(a.Route, b.Route), cmp.Compare(a.Interface, b.Interface), cmp.Compare(a.Address, b.Address))
		})
		r := s.newest.Signals.Get(n.id)
		switch {
		case len(out.Ways) == 0:
		case out.Ways[0].Good == 0:
			out.State = quality.String()
		case s.newest.Now.Sub(r.Heard) > max(5*time.Second, info.MaxAge):
			out.State, out.SilentS = "silent", s.newest.Now.Sub(r.Heard).Seconds()
		default:
			out.State = "heard"
		}
		if out.State != "heard" {
			out.Costs, out.Do = n.costs, remedies[n.do]
			if out.State != "missing" {
				out.Do = "its sender is there: look at the sensor and its wiring"
			}
		}
		all = append(all, out)
	}
	slices.SortFunc(all, func(a, b Signal) int { return cmp.Compare(a.id, b.id) })
	return all
}

func (s *Survey) listAlarms(signals []Signal) []Alarm {
	usable := func(id signal.ID) bool { return signals[id].State == "heard" || signals[id].State == "silent" }
	var all []Alarm
	for _, k := range kindNeeds {
		a := Alarm{Kind: k.kind, Possible: true}
		for _, n := range k.needs {
			if slices.ContainsFunc(n, usable) {
				continue
			}
			a.Possible = false
			words := ""
			for i, id := range n {
				if i > 0 {
					words += " or "
				}
				words += id.Info().Words
			}
			a.Missing = append(a.Missing, words)
		}
		all = append(all, a)
	}
	return all
}

// heardFrom tells whether a node gave a value by a route of a PGN's name.
func (s *Survey) sends(k node, pgn j1939.PGN) bool {
	return s.streams[stream{k, pgn, false}] != nil || s.streams[stream{k, pgn, true}] != nil
}

// preferred is the standard order of the ways to a signal, for the snippet.
func preferred(id signal.ID) []string {
	var all []string
	for _, k := range decode.StandardRoutes() {
		if k.Signal == id {
			all = append(all, k.Name)
		}
	}
	return all
}
