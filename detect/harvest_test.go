package detect_test

import (
	"fmt"
	"math"
	"os"
	"sort"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

// harvest is a make-believe harvest as heard through the bus, second by second.
type harvest struct {
	truth  virtual.Truth
	events []detect.Event
	acts   []machine.Activity
	feed   []float64
	sd     []float64
	basis  []machine.FeedBasis
	speed  []float64
}

func maps(set string) []decode.MapEntry {
	var entries []decode.MapEntry
	for _, m := range virtual.Maps(set) {
		pgn, source := int64(m.PGN), int64(m.Source)
		entries = append(entries, decode.MapEntry{Signal: m.Signal, PGN: &pgn, Source: &source, StartBit: int64(m.StartBit),
			Length: int64(m.Length), ByteOrder: m.ByteOrder, Signed: m.Signed, Scale: &m.Scale, Offset: m.Offset, Min: &m.Min, Max: &m.Max, Reserved: true})
	}
	return entries
}

// hear runs a scenario through decoder, machine and rules.
func hear(t *testing.T, sc virtual.Scenario, seed uint64) *harvest {
	t.Helper()
	decoder, err := decode.New(decode.Settings{Maps: maps(sc.Signals)})
	if err != nil {
		t.Fatal(err)
	}
	model, grown := sc.Model(), sc.CropTaken()
	own := machine.DefaultSettings()
	own.RatedPowerKW, own.MassT = model.RatedKW, model.MassT+0.4*model.TankM3*grown.KGPerM3/1000
	own.CutWidth = signal.Metre(model.Width(grown))
	crop := machine.Crop{Name: grown.Name, SpecificEnergyKWhT: 3.6, EnergyBasis: machine.PerMOG, IdlePowerKW: 20, MOGRatio: grown.MOGRatio}
	if grown.PerMOG == 0 {
		crop.SpecificEnergyKWhT, crop.EnergyBasis, crop.IdlePowerKW = 1.6, machine.PerGrain, 35
	}
	m := machine.New(own, crop)
	m.SenderHeard = decoder.LastHeard
	rules := detect.New(detect.DefaultSettings(), detect.Facts{Machine: own, Crop: crop})
	transport := j1939.NewReassembler()
	combine := virtual.New(sc, seed)
	h := &harvest{}
	var timeline canbus.Timeline
	var faults []machine.Fault
	next, last := signal.Instant(0), signal.Instant(0)
	step := func() {
		faults = faults[:0]
		for _, c := range decoder.Faults(next) {
			faults = append(faults, machine.Fault{Source: c.Source, SPN: c.SPN, FMI: c.FMI, Count: c.Count, Lamp: machine.Lamp(c.Lamp), Since: c.Since})
		}
		m.Faults(faults)
		s := m.Step(next)
		h.events = append(h.events, rules.Step(s)...)
		if next%signal.Instant(time.Second) == 0 {
			h.acts = append(h.acts, s.Activity)
			h.feed = append(h.feed, float64(s.Feed.Rate))
			h.sd = append(h.sd, float64(s.Feed.SD))
			h.basis = append(h.basis, s.Feed.Basis)
			h.speed = append(h.speed, float64(s.Speed.Value))
		}
		next = next.Add(machine.Period)
	}
	apply := func(updates []decode.Update) {
		for i := range updates {
			m.Apply(updates[i].ID, updates[i].Reading)
		}
	}
	for f := range combine.Frames() {
		switch timeline.Place(f) {
		case canbus.Follows:
			for next <= f.At {
				step()
			}
		default:
			for next <= last.Add(canbus.LongestPause) {
				step()
			}
			h.events = append(h.events, rules.Reset(next.Add(-machine.Period))...)
			m.Reset()
			decoder.Reset()
			for next < f.At {
				next = next.Add(machine.Period)
				if next%signal.Instant(time.Second) == 0 {
					h.acts, h.feed, h.sd = append(h.acts, machine.Off), append(h.feed, 0), append(h.sd, 0)
					h.basis, h.speed = append(h.basis, machine.NoFeed), append(h.speed, 0)
				}
			}
		}
		last = f.At
		m.Heard(f.At)
		apply(decoder.Decode(f))
		if x, ok := transport.Feed(f, f.At); ok {
			apply(decoder.DecodeMessage(x.PGN, x.Interface, x.Source, x.Destination, x.Payload, f.At))
		}
	}
	h.events = append(h.events, rules.Finish(next)...)
	h.truth = combine.Truth()
	return h
}

// tally counts what became of the alarms of one kind.
type tally struct {
	truths, hits, raised, falses, doubtful int
	delays                                 []float64
}

// score matches raises to truth, one to one, first come first served.
func (h *harvest) score(tallies map[string]*tally, tell func(string, ...any)) {
	judged := map[string]bool{}
	for _, k := range detect.Kinds() {
		judged[k.Name] = true
		if tallies[k.Name] == nil {
			tallies[k.Name] = &tally{}
		}
	}
	taken := make([]bool, len(h.truth.Intervals))
	for i := range h.truth.Intervals {
		if v := &h.truth.Intervals[i]; judged[v.Kind] {
			tallies[v.Kind].truths++
		}
	}
	within := func(v *virtual.Interval, e *detect.Event) bool {
		at := e.Raised.Seconds()
		return v.Kind == e.Kind && at >= v.Began-v.GreyBefore && at <= v.Ended+v.GreyAfter
	}
events:
	for i := range h.events {
		e := &h.events[i]
		if e.Phase != detect.Raised {
			continue
		}
		c := tallies[e.Kind]
		c.raised++
		for j := range h.truth.Intervals {
			v := &h.truth.Intervals[j]
			if !taken[j] && within(v, e) && (v.Subject == "" || strings.HasPrefix(e.Subject, v.Subject)) {
				taken[j] = true
				c.hits++
				c.delays = append(c.delays, e.Raised.Seconds()-v.Began)
				continue events
			}
		}
		for j := range h.truth.Doubtful {
			if within(&h.truth.Doubtful[j], e) {
				c.doubtful++
				continue events
			}
		}
		c.falses++
		tell("FALSE %s %s raised %.1f began %.1f %s: %s %v", e.Kind, e.Subject, e.Raised.Seconds(), e.Began.Seconds(), e.Activity, e.Text, e.Evidence)
	}
	for j := range h.truth.Intervals {
		if v := &h.truth.Intervals[j]; judged[v.Kind] && !taken[j] {
			tell("MISS %s %s %.1f..%.1f%s", v.Kind, v.Subject, v.Began, v.Ended, h.covering(v))
		}
	}
}

// covering tells of an event that was still active when a missed interval began.
func (h *harvest) covering(v *virtual.Interval) string {
	for i := range h.events {
		e := &h.events[i]
		if e.Kind == v.Kind && e.Phase == detect.Ended && e.Raised.Seconds() < v.Began && e.Ended.Seconds() > v.Began-60 {
			return fmt.Sprintf(", after one raised at %.1f that ended at %.1f", e.Raised.Seconds(), e.Ended.Seconds())
		}
	}
	return ""
}

// feedErrors are the relative errors of 30 s means while cutting.
func (h *harvest) feedErrors(from int) (errs, claims []float64) {
	for at := from; at+30 < min(len(h.feed), len(h.truth.FeedTH)); at += 30 {
		var got, want, sd float64
		all := true
		for i := at; i < at+30; i++ {
			all = all && h.truth.Activity[i] == "cutting" && h.basis[i] != machine.NoFeed
			got, want, sd = got+h.feed[i], want+h.truth.FeedTH[i], sd+h.sd[i]
		}
		if all && want > 150 {
			errs = append(errs, got/want-1)
			claims = append(claims, sd/want)
		}
	}
	return errs, claims
}

func rms(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum / float64(max(1, len(v))))
}

// Harvests that nobody wrote, with the trouble of crop, machine, sensors and
// bus, through decoder, machine and rules, against the truth that the make-believe
// combine keeps. More of them: CHAFFINCH_HARVESTS=from,to,hours (seeds) and
// CHAFFINCH_SIGNALS=full, generic or bare.
func TestHarvests(t *testing.T) {
	from, to, hours := uint64(201), uint64(203), 1.0
	if text := os.Getenv("CHAFFINCH_HARVESTS"); text != "" {
		if _, err := fmt.Sscanf(text, "%d,%d,%f", &from, &to, &hours); err != nil {
			t.Fatal(err)
		}
	}
	tallies := map[string]*tally{}
	right, all := 0, 0
	for seed := from; seed <= to; seed++ {
		sc := virtual.Random(seed, hours)
		if set := os.Getenv("CHAFFINCH_SIGNALS"); set != "" {
			sc.Signals = set
		}
		h := hear(t, sc, seed)
		t.Logf("seed %d: %s, %s, %s", seed, sc.Machine, sc.Crop, sc.Signals)
		h.score(tallies, t.Logf)
		for i := range min(len(h.acts), len(h.truth.Activity)) {
			all++
			if h.acts[i].String() == h.truth.Activity[i] {
				right++
			}
		}
		errs, claims := h.feedErrors(1200)
		inside, mean := 0, 0.0
		for i := range errs {
			if math.Abs(errs[i]) < claims[i] {
				inside++
			}
			mean += errs[i] / float64(len(errs))
		}
		t.Logf("   feed: %d means of 30 s, rms error %.1f %%, mean error %.1f %%, stated %.1f %%, %.0f %% within",
			len(errs), 100*rms(errs), 100*mean, 100*rms(claims), 100*float64(inside)/float64(max(1, len(errs))))
	}
	if share := float64(right) / float64(all); share < 0.95 && os.Getenv("CHAFFINCH_SIGNALS") == "" {
		t.Errorf("activity right in %.1f %% of %d s", 100*share, all)
	}
	truths, hits, raised, falses := 0, 0, 0, 0
	for _, k := range detect.Kinds() {
		c := tallies[k.Name]
		truths, hits, raised, falses = truths+c.truths, hits+c.hits, raised+c.raised, falses+c.falses
		t.Logf("%-15s %3d true, %3d found, %3d raised, %d false, %d in doubt; delay %s", k.Name, c.truths, c.hits, c.raised, c.falses, c.doubtful, delays(c.delays))
	}
	t.Logf("activity right in %.2f %% of %d s", 100*float64(right)/float64(all), all)
	if truths == 0 {
		t.Error("nothing happened in these harvests")
	}
	if float64(hits) < 0.9*float64(truths) || float64(falses) > 1+0.02*float64(raised) {
		t.Errorf("%d true, %d found, %d raised, %d false", truths, hits, raised, falses)
	}
}

func delays(seconds []float64) string {
	if len(seconds) == 0 {
		return "-"
	}
	sort.Float64s(seconds)
	n := len(seconds)
	return fmt.Sprintf("median %.1f s, 95 %% %.1f s", seconds[n/2], seconds[min(n-1, n*95/100)])
}
