package shift

import (
	"slices"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
)

// Event counts an alarm of the open shift: when it is raised, and how long it was
// when it has ended.
func (a *Accumulator) Event(e *detect.Event) {
	if a.open == nil {
		return
	}
	switch e.Phase {
	case detect.Raised:
		tally(&a.open.Alarms, e.Kind).Count++
	case detect.Ended:
		tally(&a.open.Alarms, e.Kind).ForS += max(0, e.Ended.Sub(e.Began).Seconds())
	}
}

// Note counts what the adviser tells of the open shift.
func (a *Accumulator) Note(n *advise.Note) {
	o := a.open
	if o == nil {
		return
	}
	switch n.Kind {
	case advise.PromptOpened:
		tally(&o.Prompts, "opened").Count++
	case advise.PromptClosed:
		tally(&o.Prompts, n.Prompt.Closed).Count++
	case advise.VerdictGiven:
		tally(&o.Verdicts, n.Verdict.Outcome).Count++
	case advise.SettingChanged:
		tally(&o.Settings, n.Setting.Lever).Count++
	case advise.CheckTold:
		a.check(&n.Taken.Check)
	}
}

func (a *Accumulator) check(c *advise.Check) {
	o := a.open
	if c.Tank != nil {
		tally(&o.Checks, advise.TankCheck).Count++
	}
	if c.Returns != nil {
		tally(&o.Checks, advise.ReturnsCheck).Count++
	}
	g := c.Ground
	if g == nil || !g.HeaderKnown && !g.MachineKnown {
		return
	}
	tally(&o.Checks, advise.GroundCheck).Count++
	counted := GroundCount{At: a.moment(), Field: o.Now + 1, Kernels: g.Kernels, Enough: g.Enough}
	if g.HeaderKnown {
		v := g.HeaderKgHa
		counted.HeaderKgHa = &v
	}
	if g.MachineKnown {
		v := g.MachineKgHa
		counted.MachineKgHa = &v
	}
	if g.YieldKgHa > 0 {
		v := g.YieldKgHa
		counted.YieldKgHa = &v
	}
	if len(o.Ground) == MaxGround {
		o.Ground = append(o.Ground[:0], o.Ground[1:]...)
	}
	o.Ground = append(o.Ground, counted)
}

// Price is what a tonne is worth, as somebody told with a count on the ground.
func (a *Accumulator) Price(perTonne float64) {
	if perTonne > 0 {
		a.price = perTonne
	}
}

// FieldNamed is how the operator calls the field that he is in.
func (a *Accumulator) FieldNamed(name string) {
	a.fieldName = name
	if o := a.open; o != nil && o.Now >= 0 {
		o.Fields[o.Now].Name = name
	}
}

// tally is the count of a name, in the order of names.
func tally(all *[]Count, name string) *Count {
	i, found := slices.BinarySearchFunc(*all, name, func(c Count, name string) int { return strings.Compare(c.Name, name) })
	if !found {
		*all = slices.Insert(*all, i, Count{Name: name})
	}
	return &(*all)[i]
}

// Summary is the open shift so far, or nil.
func (a *Accumulator) Summary() *Summary {
	if a.open == nil {
		return nil
	}
	return a.summary(a.open, false)
}

// Finish is the open shift as if it were over now, for the end of a log, or nil.
func (a *Accumulator) Finish() *Summary {
	if a.open == nil {
		return nil
	}
	o := *a.open
	o.Tail = Sums{}
	return a.summary(&o, true)
}

// summary makes the values that others see. Without over it is of a shift that
// goes on, and what was since the last work is in it.
func (a *Accumulator) summary(o *account, over bool) *Summary {
	r := rates{mogRatio: a.facts.Crop.MOGRatio, standardPct: float64(a.facts.Crop.Moisture)}
	sum := func(x, tail Sums) Totals {
		if !over {
			x.add(&tail)
		}
		return x.totals(r)
	}
	s := &Summary{
		Number: o.Number, Machine: a.facts.Machine.Name, Crop: o.Crop, Began: o.Began, Ended: o.Ended, Over: over, Runs: o.Runs,
		Total: sum(o.Sums, o.Tail), Fields: []Field{},
		Alarms: copied(o.Alarms), Prompts: copied(o.Prompts), Verdicts: copied(o.Verdicts),
		Checks: copied(o.Checks), Settings: copied(o.Settings), Ground: copied(o.Ground),
	}
	for i := range o.Fields {
		f := &o.Fields[i]
		s.Fields = append(s.Fields, Field{
			Number: f.Number, Name: f.Name, Began: f.Began, Ended: f.Ended,
			South: signal.Degree(f.Bounds.South), West: signal.Degree(f.Bounds.West),
			North: signal.Degree(f.Bounds.North), East: signal.Degree(f.Bounds.East), Located: f.Bounds.Known,
			Total: sum(f.Sums, f.Tail),
		})
	}
	a.fieldAreas(s, o)
	a.losses(s)
	return s
}

// fieldAreas makes the area of the shift the sum of its fields', each of which is
// the smaller of two.
func (a *Accumulator) fieldAreas(s *Summary, o *account) {
	if s.Total.AreaHa == nil {
		return
	}
	all := 0.0
	for i := range s.Fields {
		if area := s.Fields[i].Total.AreaHa; area != nil {
			all += area.Value
		}
	}
	s.Total.AreaHa.Value = all
	if o.Uncharted {
		s.Total.AreaHa.Basis += "; what was cut before a restart is not on the map"
		s.Total.AreaHa.Estimated = true
	}
	s.Total.perHour()
}

// losses puts the counts on the ground against the area: the mean of those that
// there are, header and machine together.
func (a *Accumulator) losses(s *Summary) {
	var header, machine, headers, machines float64
	for i := range s.Ground {
		if v := s.Ground[i].HeaderKgHa; v != nil {
			header += *v
			headers++
		}
		if v := s.Ground[i].MachineKgHa; v != nil {
			machine += *v
			machines++
		}
	}
	if headers+machines == 0 || s.Total.AreaHa == nil {
		return
	}
	basis, kgHa := "", 0.0
	if machines > 0 {
		kgHa += machine / machines
		basis = "machine"
	}
	if headers > 0 {
		kgHa += header / headers
		basis = strings.TrimPrefix(basis+" and header", " and ")
	}
	basis += " loss of counts on the ground, times area"
	s.Total.LossKg = &Amount{kgHa * s.Total.AreaHa.Value, basis, true, 100}
	if a.price > 0 {
		s.Total.LossMoney = &Amount{s.Total.LossKg.Value / 1000 * a.price, basis + " and price", true, 100}
	}
}

func copied[T any](all []T) []T { return append([]T{}, all...) }
