package shift

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Memory is all that an accumulator knows, to be stored as JSON.
type Memory struct {
	Version int      `json:"version"`
	Boot    uint64   `json:"boot"`
	Last    uint32   `json:"last"` // number of the newest shift
	Price   float64  `json:"price"`
	Open    *account `json:"open"`
	Chart   []byte   `json:"chart"`
	// IdleS is how long the machine had not cut when this was saved.
	IdleS float64 `json:"idle_s"`
}

const memoryVersion = 1

// Memory is what is known now. It shares nothing with the accumulator.
func (a *Accumulator) Memory() Memory {
	m := Memory{Version: memoryVersion, Boot: a.Boot, Last: a.last, Price: a.price}
	if a.open == nil {
		return m
	}
	o := *a.open
	o.Fields = slices.Clone(o.Fields)
	for _, all := range []*[]Count{&o.Alarms, &o.Prompts, &o.Verdicts, &o.Checks, &o.Settings} {
		*all = slices.Clone(*all)
	}
	o.Ground = slices.Clone(o.Ground)
	m.Open, m.Chart = &o, a.chart.pack()
	m.IdleS = a.now.Sub(o.LastWork).Seconds()
	return m
}

// Remember takes up a memory of an earlier run; it comes before the first cut.
// Away is how long the program did not run, by a clock that can be trusted, or
// negative: then the shift goes on. It returns the summary of a shift that was
// over in the meantime, or nil.
func (a *Accumulator) Remember(m Memory, away time.Duration) (*Summary, error) {
	if m.Version == 0 && m.Last == 0 && m.Open == nil {
		return nil, nil // nothing was ever remembered
	}
	if m.Version != memoryVersion {
		return nil, fmt.Errorf("shift: memory of version %d is not known", m.Version)
	}
	a.last = max(a.last, m.Last)
	a.price = m.Price
	if m.Open == nil {
		return nil, nil
	}
	if err := m.Open.check(); err != nil {
		return nil, err
	}
	o := m.Open
	chart, err := unpack(m.Chart)
	if err != nil {
		chart = newChart()
	}
	o.Uncharted = o.Uncharted || err != nil || len(m.Chart) == 0 && o.Sums.CoveredM2 > 0
	a.open, a.chart, a.swath = o, chart, swath{}
	o.Fields = append(make([]fieldAccount, 0, maxFields), o.Fields...)
	a.last = max(a.last, o.Number)
	idle := time.Duration(max(0, m.IdleS) * float64(time.Second))
	if away >= 0 && (idle+away).Minutes() > a.set.EndAfterMin {
		return a.end(), nil
	}
	o.Runs++
	a.unsure = away < 0
	// Event time began anew: the last work lies before its zero.
	o.LastWork = max(a.now, 0).Add(-(idle + max(0, away)))
	if away > 0 {
		o.Tail.UnheardS += away.Seconds()
	}
	return nil, nil
}

// Away tells how long the program did not run, where that came out only after
// Remember. After the first cut since then it is too late, and says nothing.
func (a *Accumulator) Away(away time.Duration) {
	if a.open == nil || !a.unsure || away < 0 {
		return
	}
	a.unsure = false
	a.open.LastWork = a.open.LastWork.Add(-away)
	a.open.Tail.UnheardS += away.Seconds()
}

// check refuses what cannot be taken up.
func (o *account) check() error {
	if o.Number == 0 || o.Now < -1 || o.Now >= len(o.Fields) || len(o.Fields) > maxFields || len(o.Ground) > MaxGround {
		return fmt.Errorf("shift: memory of shift %d cannot be", o.Number)
	}
	for i := range o.Fields {
		if f := &o.Fields[i]; f.Number != i+1 || math.Abs(f.Lat0) > 90 || math.Abs(f.Lon0) > 360 {
			return fmt.Errorf("shift: memory of field %d of shift %d cannot be", i+1, o.Number)
		}
	}
	return nil
}
