package export

import (
	"archive/zip"
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
)

// ISOXML writes the shifts of a part as task data of ISO 11783-10, version 4.3, in
// a zip: TASKDATA/TASKDATA.XML with a task a shift, its fields and its totals, and
// time logs (TLGnnnnn.XML and .BIN) of a record a second. Values are in units of
// the dictionary (ISO 11783-11); what it has no identifier for is not in it: feed,
// fullness, relative levels of losses, alarms.
//
// Each record has a date, in UTC. Rows without one are left out, and a comment in
// TASKDATA.XML says how many; where no clock could be trusted a task has neither
// times nor totals, for the standard ties totals to a time. Estimated grain is not
// given as measured: where grain flow was known in less than 95 % of cutting the
// mass is left out; a comment tells of any estimate.
func ISOXML(ctx context.Context, w io.Writer, s *Source, p Part) error {
	if _, _, err := s.bounds(p); err != nil {
		return err
	}
	f := &taskFile{zip: zip.NewWriter(w)}
	for i := range s.shifts {
		one := &s.shifts[i]
		if p.Shift != 0 && one.Number != p.Shift || p.Shift == 0 && !s.overlaps(p, one) {
			continue
		}
		if err := f.shift(ctx, s, p, one); err != nil {
			return err
		}
	}
	out, err := f.zip.Create("TASKDATA/TASKDATA.XML")
	if err != nil {
		return err
	}
	if _, err := io.WriteString(out, f.whole(s)); err != nil {
		return err
	}
	if err := f.zip.Close(); err != nil {
		return err
	}
	return ctx.Err()
}

// taskFile gathers TASKDATA.XML: the parts of it that come before and after the
// device.
type taskFile struct {
	zip     *zip.Writer
	machine string
	fields  strings.Builder
	tasks   strings.Builder
	nFields int
	nTasks  int
	nLogs   int
	// Rows of cutting of the shift, and those of them with a grain flow.
	cutting, measured int
}

// taskName is the NAME under which the machine stands (ISO 11783-5): arbitrary
// address capable, agricultural, harvester, and a number made of the store's. It is
// nobody's on a bus.
func taskName(s *Source) string {
	id, _ := strconv.ParseUint(s.StoreID(), 16, 64)
	return fmt.Sprintf("A00E8400%08X", id&0x1FFFFF)
}

func (f *taskFile) whole(s *Source) string {
	var b strings.Builder
	b.WriteString(`<?xml version="1.0" encoding="UTF-8"?>` + "\n")
	b.WriteString(`<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="chaffinch" ManagementSoftwareVersion="1"` +
		` TaskControllerManufacturer="chaffinch" TaskControllerVersion="1" DataTransferOrigin="2">` + "\n")
	writeDevice(&b, f.machine, taskName(s))
	b.WriteString(f.fields.String())
	b.WriteString(f.tasks.String())
	b.WriteString("</ISO11783_TaskData>\n")
	return b.String()
}

func (f *taskFile) shift(ctx context.Context, s *Source, p Part, one *Shift) error {
	sum := &one.Told.Shift
	if sum.Machine != "" {
		f.machine = sum.Machine
	}
	f.cutting, f.measured = 0, 0
	logs := timeLogs{source: s, zip: f.zip, number: f.nLogs}
	for row, err := range s.Rows(Part{Shift: one.Number, From: p.From, Before: p.Before}) {
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if row.Activity == machine.Cutting {
			f.cutting++
			if _, ok := row.Value(signal.GrainFlow.ID); ok {
				f.measured++
			}
		}
		if err := logs.add(row); err != nil {
			return err
		}
	}
	if err := logs.end(); err != nil {
		return err
	}
	f.nLogs = logs.number

	field := ""
	for i := range sum.Fields {
		f.nFields++
		field = "PFD" + strconv.Itoa(f.nFields)
		name := sum.Fields[i].Name
		if name == "" {
			name = fmt.Sprintf("Shift %d field %d", sum.Number, sum.Fields[i].Number)
		}
		area := 0.0
		if a := sum.Fields[i].Total.AreaHa; a != nil {
			area = a.Value
		}
		fmt.Fprintf(&f.fields, `  <PFD A="%s" C="%s" D="%d"/>`+"\n", field, short(name), whole(area*1e4))
	}
	f.task(s, one, &logs, field)
	return nil
}

func (f *taskFile) task(s *Source, one *Shift, logs *timeLogs, field string) {
	sum := &one.Told.Shift
	b := &f.tasks
	f.nTasks++
	state := 2 // running
	if one.Over() {
		state = 4 // completed
	}
	fmt.Fprintf(b, `  <TSK A="TSK%d" B="%s"`, f.nTasks, short(strings.TrimSpace(fmt.Sprintf("Shift %d %s", sum.Number, sum.Crop))))
	if len(sum.Fields) == 1 {
		fmt.Fprintf(b, ` E="%s"`, field)
	}
	fmt.Fprintf(b, ` G="%d">`+"\n", state)
	began, ended := s.when(sum.Began), s.when(sum.Ended)
	switch {
	case began == nil || ended == nil:
		comment(b, "No clock could be trusted: there are no times, and so no totals")
	case !one.Over():
		comment(b, "The shift is not over, or its end is not known: there are no totals")
	default:
		writeTotals(b, *began, *ended, &sum.Total, f.measured*100 >= f.cutting*95)
	}
	if logs.undated > 0 {
		comment(b, fmt.Sprintf("%d seconds are left out for want of a date", logs.undated))
	}
	if logs.nowhere > 0 {
		comment(b, fmt.Sprintf("%d seconds between positions are left out for want of one", logs.nowhere))
	}
	fmt.Fprintf(b, `    <DAN A="%s" C="DVC1"/>`+"\n", taskName(s))
	for _, l := range logs.done {
		fmt.Fprintf(b, `    <TLG A="%s" B="%d" C="1"/>`+"\n", l.name, l.bytes)
	}
	b.WriteString("  </TSK>\n")
}

// writeTotals writes the totals of a shift that is over. Measured tells whether
// the grain was, but for little.
func writeTotals(b *strings.Builder, began, ended string, t *shift.Totals, measured bool) {
	fmt.Fprintf(b, `    <TIM A="%s" B="%s" D="4">`+"\n", began, ended)
	total := func(ddi uint16, a *shift.Amount, scale float64) {
		if a != nil {
			fmt.Fprintf(b, `      <DLV A="%04X" B="%d" C="DET1"/>`+"\n", ddi, whole(a.Value*scale))
		}
	}
	seconds := func(v float64) *shift.Amount { return &shift.Amount{Value: v} }
	grain := t.GrainT
	if grain != nil && grain.Estimated && !measured {
		grain = nil
	}
	total(totalArea, t.AreaHa, 1e4)
	total(totalMass, grain, 1e3)
	total(effectiveDistance, t.CutKm, 1e6)
	total(totalDistance, t.DrivenKm, 1e6)
	total(effectiveTime, seconds(t.Times.CuttingS), 1)
	total(ineffectiveTime, seconds(math.Max(0, t.Times.FieldS-t.Times.CuttingS)), 1)
	total(totalFuel, t.FuelL, 1e3)
	total(averageMoisture, t.MoisturePct, 1e4)
	b.WriteString("    </TIM>\n")
	switch {
	case grain != nil && grain.Estimated:
		comment(b, "A little of the grain was estimated: "+grain.Basis)
	case grain == nil && t.GrainT != nil:
		comment(b, "The grain was estimated and is left out: "+t.GrainT.Basis)
	}
}

// whole is the nearest whole number that a value of process data can be.
func whole(v float64) int64 {
	if math.IsNaN(v) {
		return 0
	}
	return int64(math.Round(math.Min(math.Max(v, math.MinInt32), math.MaxInt32)))
}

// short is text for an attribute: at most 32 characters, escaped.
func short(text string) string {
	if r := []rune(text); len(r) > 32 {
		text = string(r[:32])
	}
	return escape(text)
}

func escape(text string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0xFFFE || r == 0xFFFF {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD")))
}

func comment(b *strings.Builder, text string) {
	fmt.Fprintf(b, "    <!-- %s -->\n", strings.ReplaceAll(escape(text), "--", "- -"))
}

// Identifiers of totals (ISO 11783-11).
const (
	totalMass         = 90  // yield total mass, kg
	totalArea         = 116 // m2
	effectiveDistance = 117 // mm
	effectiveTime     = 119 // s
	ineffectiveTime   = 120 // s
	totalFuel         = 148 // ml
	averageMoisture   = 262 // ppm
	totalDistance     = 597 // mm
)

// totals are their identifiers.
var totalDDIs = [...]uint16{totalMass, totalArea, effectiveDistance, effectiveTime, ineffectiveTime, totalFuel, averageMoisture, totalDistance}

// writeDevice writes the machine as a device with three elements and all values
// that a log may have.
func writeDevice(b *strings.Builder, called, name string) {
	if called == "" {
		called = "Combine"
	}
	// F and G are the labels with their bytes in reverse: CHAFF01, and English with
	// metric units.
	fmt.Fprintf(b, `  <DVC A="DVC1" B="%s" C="1" D="%s" E="1" F="31304646414843" G="FF555500506E65">`+"\n", short(called), name)
	refs := map[string]string{}
	var data strings.Builder
	object := 100
	add := func(element string, ddi uint16, trigger int) {
		e, _ := processdata.Lookup(ddi)
		object++
		refs[element] += fmt.Sprintf(`<DOR A="%d"/>`, object)
		fmt.Fprintf(&data, `    <DPD A="%d" B="%04X" C="1" D="%d" E="%s"/>`+"\n", object, ddi, trigger, short(e.Name))
	}
	for _, v := range logged {
		add(v.element, v.ddi, 8) // on change
	}
	for _, ddi := range totalDDIs {
		add("DET1", ddi, 16) // total
	}
	object++
	refs["DET2"] += fmt.Sprintf(`<DOR A="%d"/>`, object)
	fmt.Fprintf(&data, `    <DPT A="%d" B="%04X" C="%d" D="Header"/>`+"\n", object, processdata.FunctionOrTechnique, processdata.HeaderFunction)
	object++
	refs["DET3"] += fmt.Sprintf(`<DOR A="%d"/>`, object)
	fmt.Fprintf(&data, `    <DPT A="%d" B="%04X" C="%d" D="Separator"/>`+"\n", object, processdata.FunctionOrTechnique, processdata.SeparatorFunction)
	for i, e := range []struct {
		name         string
		kind, parent int
	}{{"Combine", 1, 0}, {"Header", 2, 1}, {"Separator", 2, 1}} {
		fmt.Fprintf(b, `    <DET A="DET%d" B="%d" C="%d" D="%s" E="%d" F="%d">%s</DET>`+"\n", i+1, i+1, e.kind, e.name, i, e.parent, refs["DET"+strconv.Itoa(i+1)])
	}
	b.WriteString(data.String())
	b.WriteString("  </DVC>\n")
}
