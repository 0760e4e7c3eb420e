package advise

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// Memory is what outlives the program: plain values, to be stored as JSON.
// Instants in it count from the event time of the run that saved it.
type Memory struct {
	Saved signal.Instant `json:"saved_ns"`
	Field string         `json:"field"`
	// Journal are the changes of the day with their verdicts, oldest first.
	Journal []JournalEntry `json:"journal"`
	// Tried are the moves of the day, and how they ended.
	Tried []Tried `json:"tried"`
	// Best are the settings that worked, per crop and moisture.
	Best []Best `json:"best"`
	// Calibrations are the targets that checks have set.
	Calibrations []Calibration `json:"calibrations"`
	// Seen is what the operator has seen of the crop today.
	Seen []Seen `json:"seen,omitempty"`
}

// Seen is an observation and when it was made.
type Seen struct {
	Observation
	AtNS signal.Instant `json:"at_ns"`
}

// JournalEntry is a change of a setting and what came of it.
type JournalEntry struct {
	AtNS    signal.Instant `json:"at_ns"`
	Change  Change         `json:"change"`
	Verdict *Verdict       `json:"verdict"` // nil: not judged
}

// Tried is a move that was tried, and how it ended.
type Tried struct {
	Symptom   string `json:"symptom"`
	Lever     string `json:"lever"`
	Direction string `json:"direction"`
	Outcome   string `json:"outcome"` // a verdict's, or not-possible
	Unsure    int    `json:"unsure"`  // how often it could not be judged
	// Promising: it may have helped, but not for sure. It is tried once more,
	// with a larger step, when nothing else is left.
	Promising bool `json:"promising,omitempty"`
	Again     bool `json:"again,omitempty"`
	// TooFar: it helped, and made another level too high. It is tried once more,
	// with half the step.
	TooFar bool `json:"too_far,omitempty"`
}

// Best are settings with which nothing was wrong.
type Best struct {
	Crop        string         `json:"crop"`
	MoisturePct float64        `json:"moisture_pct"` // middle of its band; -1 where it was not known
	Settings    []SettingValue `json:"settings"`     // in the order of the levers
	FeedTH      float64        `json:"feed_t_h"`     // the mean that it did
	AtNS        signal.Instant `json:"at_ns"`
}

// SettingValue is where a lever stood.
type SettingValue struct {
	Lever string  `json:"lever"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Calibration is a target of a sensor by what the operator has looked at.
type Calibration struct {
	Symptom      string         `json:"symptom"`
	Crop         string         `json:"crop"`
	Field        string         `json:"field"`
	TargetPct    float64        `json:"target_pct"`
	KgHaPerPoint float64        `json:"kg_ha_per_point"`
	Basis        string         `json:"basis"`
	MoisturePct  float64        `json:"moisture_pct"` // -1 where it was not known
	AtNS         signal.Instant `json:"at_ns"`
}

const (
	// newDay is how long a pause makes a new day: what was tried is forgotten,
	// what worked is kept.
	newDay = 6 * time.Hour
	// bandPct is the width of the bands of moisture in which settings are
	// remembered.
	bandPct     = 2.0
	mostJournal = 200
	mostBest    = 60
	// oldBest is the age at which what worked makes way for what works.
	oldBest = 60 * 24 * time.Hour
	// fineFor seconds of work with nothing wrong make settings worth keeping.
	fineFor = 300
)

// conditionKey is the condition that settings are remembered for.
type conditionKey struct {
	crop string
	band int // of moisture; -1 not known
}

func (a *Adviser) condKey() conditionKey {
	k := conditionKey{crop: a.facts.Crop.Name, band: -1}
	if m, ok := a.moisture(); ok {
		k.band = bandOf(m)
	}
	return k
}

func bandOf(moist float64) int {
	if !finite(moist) || moist < 0 || moist > 100 {
		return -1
	}
	return int(moist / bandPct)
}

func (k conditionKey) middle() float64 {
	if k.band < 0 {
		return -1
	}
	return (float64(k.band) + 0.5) * bandPct
}

// moisture is the grain's, by the newest minutes of work.
func (a *Adviser) moisture() (float64, bool) { return a.moist, a.moistN > 0 }

// Memory is what there is to store now. It shares nothing with the adviser.
func (a *Adviser) Memory() Memory {
	m := Memory{Saved: a.now, Field: a.field, Calibrations: append([]Calibration(nil), a.elsewhere...)}
	m.Journal = append(m.Journal, a.journal...)
	for i := range a.tries {
		m.Tried = append(m.Tried, a.tries[i].Tried)
	}
	for _, b := range a.best {
		b.Settings = append([]SettingValue(nil), b.Settings...)
		m.Best = append(m.Best, b)
	}
	m.Calibrations = a.keepCalibrations(m.Calibrations)
	for i, o := range a.around.seen {
		if o.told {
			m.Seen = append(m.Seen, Seen{Observation{Condition: observations[i], Is: o.is}, o.at})
		}
	}
	return m
}

// keepCalibrations puts the present targets among those of other crops and
// fields.
func (a *Adviser) keepCalibrations(all []Calibration) []Calibration {
	for i := range a.symptoms {
		k := &a.symptoms[i]
		if k.basis != ByGroundCount && k.basis != ByTankSample {
			continue
		}
		moist := k.setMoist
		if !finite(moist) {
			moist = -1
		}
		all = append(all, Calibration{Symptom: symptoms[i].name, Crop: a.facts.Crop.Name, Field: a.field, TargetPct: k.target,
			KgHaPerPoint: k.kgHa, Basis: k.basis, MoisturePct: moist, AtNS: k.setAt})
	}
	return all
}

// Restore takes up what an earlier run stored, before the first Step. now is
// the event time at which this run begins, away the time between saving and
// now by a clock that can be trusted. After a night's pause, or where away is
// not known (negative), what was tried is forgotten, and only what worked and
// what was calibrated is kept.
func (a *Adviser) Restore(m Memory, now signal.Instant, away time.Duration) {
	shift := now.Sub(m.Saved) - max(away, 0)
	if away < 0 {
		shift -= newDay
	}
	a.now = now
	a.field = m.Field
	for _, b := range m.Best {
		b.AtNS = b.AtNS.Add(shift)
		b.Settings = append([]SettingValue(nil), b.Settings...)
		a.keepBest(b)
	}
	for _, c := range m.Calibrations {
		c.AtNS = c.AtNS.Add(shift)
		a.elsewhere = append(a.elsewhere, c)
	}
	a.recall()
	if away < 0 || away >= newDay {
		return
	}
	for _, e := range m.Journal {
		e.AtNS = e.AtNS.Add(shift)
		e.Change.At = e.AtNS
		a.journal = append(a.journal, e)
	}
	for _, s := range m.Seen {
		for i, name := range observations {
			if s.Condition == name {
				a.around.seen[i] = observed{is: s.Is, told: true, at: s.AtNS.Add(shift)}
			}
		}
	}
	for _, t := range m.Tried {
		if of := symptomNamed(t.Symptom); of >= 0 {
			a.tries = append(a.tries, try{of: of, Tried: t})
		}
	}
}

// keepBest keeps of each condition that of the last weeks which did most.
func (a *Adviser) keepBest(b Best) {
	for i := range a.best {
		old := &a.best[i]
		if old.Crop != b.Crop || old.MoisturePct != b.MoisturePct {
			continue
		}
		if b.FeedTH > old.FeedTH || a.now.Sub(old.AtNS) > oldBest {
			*old = b
		}
		return
	}
	if len(a.best) < mostBest {
		a.best = append(a.best, b)
	}
}

// recall takes the targets of this crop and field from those kept, newest last.
func (a *Adviser) recall() {
	kept := a.elsewhere[:0]
	for _, c := range a.elsewhere {
		i := symptomNamed(c.Symptom)
		if i < 0 || c.Crop != a.facts.Crop.Name || c.Field != a.field || !finite(c.TargetPct) || c.TargetPct <= 0 {
			kept = append(kept, c)
			continue
		}
		k := &a.symptoms[i]
		if k.basis == BySetup {
			continue
		}
		k.target, k.basis, k.kgHa, k.setAt = c.TargetPct, c.Basis, c.KgHaPerPoint, c.AtNS
		k.setMoist = math.NaN()
		if c.MoisturePct >= 0 {
			k.setMoist = c.MoisturePct
		}
	}
	a.elsewhere = kept
}

// setAside puts the targets of a crop and field away when it is left.
func (a *Adviser) setAside() {
	a.elsewhere = a.keepCalibrations(a.elsewhere)
	if n := len(a.elsewhere) - mostJournal; n > 0 {
		a.elsewhere = a.elsewhere[n:]
	}
	for i := range a.symptoms {
		if a.symptoms[i].basis != BySetup {
			a.symptoms[i].basis = ""
		}
		a.symptoms[i].said, a.symptoms[i].over, a.symptoms[i].alarm = NotLooked, false, false
		a.symptoms[i].restart()
	}
}

// log keeps a change in the day's journal.
func (a *Adviser) log(t *trial) {
	c := Change{Lever: t.lever.Name, Unit: t.lever.Unit, Why: t.why, Prompt: t.prompt, Seen: t.seen, At: a.now}
	if t.known {
		c.From, c.To = number(round1(t.from)), number(round1(t.to))
	}
	if len(a.journal) == mostJournal {
		a.journal = append(a.journal[:0], a.journal[1:]...)
	}
	a.journal = append(a.journal, JournalEntry{AtNS: a.now, Change: c})
	a.note(Note{Kind: SettingChanged, Setting: &c})
}

// remember keeps settings with which nothing was wrong for some minutes.
func (a *Adviser) remember() {
	for i := range symptoms {
		if i != spareCapacity && a.there(i) {
			a.fine = 0
			return
		}
	}
	if !a.heard(separationLoss) && !a.heard(cleaningLoss) && !a.under(cropLoss) {
		return // nobody knows whether it is fine
	}
	if a.fine++; a.fine < fineFor {
		return
	}
	a.fine = 0
	key := a.condKey()
	b := Best{Crop: key.crop, MoisturePct: key.middle(), AtNS: a.now}
	for i := range a.followers {
		f := &a.followers[i]
		if v, ok := f.present(a.now); ok {
			if f.lever.Round > 0 {
				v = f.lever.Round * math.Round(v/f.lever.Round)
			}
			b.Settings = append(b.Settings, SettingValue{Lever: f.lever.Name, Value: v, Unit: f.lever.Unit})
		}
	}
	b.FeedTH, _ = a.work.meanFeed(fineFor)
	if len(b.Settings) == 0 {
		return
	}
	for i := range a.best {
		old := &a.best[i]
		if old.Crop != b.Crop || old.MoisturePct != b.MoisturePct || a.now.Sub(old.AtNS) >= newDay {
			continue // that of another day stays, to go back to
		}
		if b.FeedTH > old.FeedTH {
			*old = b
		}
		return
	}
	if len(a.best) == mostBest {
		a.best = append(a.best[:0], a.best[1:]...)
	}
	a.best = append(a.best, b)
}

// bestOf is what worked for a lever in this condition on another day.
func (a *Adviser) bestOf(lever string) (float64, bool) {
	if b := a.bestHere(); b != nil {
		for _, s := range b.Settings {
			if s.Lever == lever {
				return s.Value, true
			}
		}
	}
	return 0, false
}

func (a *Adviser) bestHere() *Best {
	key := a.condKey()
	for i := range a.best {
		b := &a.best[i]
		if b.Crop == key.crop && b.MoisturePct == key.middle() && a.now.Sub(b.AtNS) >= newDay {
			return b
		}
	}
	return nil
}
