package decode

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"chaffinch/canbus/processdata"
)

func checkProcessData(v vector) error {
	m, ok := processdata.Parse(bytesOf(v.data))
	if !ok {
		return fmt.Errorf("too short")
	}
	if m.Command == processdata.ControllerStatus {
		active := 0
		if m.Status().TotalsActive {
			active = 1
		}
		return same(fmt.Sprintf("cmd=%d task totals active=%d", m.Command, active), v.want)
	}
	got := fmt.Sprintf("cmd=%d element=%d ddi=%d", m.Command, m.Element, m.DDI)
	switch m.Command {
	case processdata.RequestValue:
		return same(got+" = request value", v.want)
	case processdata.Acknowledge:
		if m.AckErrors() == 0 {
			got += " = PDACK, no error"
		}
		return same(got, v.want)
	}
	got += fmt.Sprintf(" value=%d", m.Value)
	e, known := processdata.Lookup(m.DDI)
	if !known { // the row gives no more than the raw value
		return same(got, v.want)
	}
	value, unit := e.Convert(m.Value)
	switch m.DDI {
	case processdata.ActualWorkState:
		got += fmt.Sprintf(" = %s %s", e.Name, [...]string{"off", "on"}[m.Value])
	case processdata.ActualWorkingWidth:
		got += fmt.Sprintf(" = %s %v %s", e.Name, value, unit)
	case processdata.MassFlow:
		got += fmt.Sprintf(" = %s %d %s = %.3f %s", e.Name, m.Value, e.Unit, value, unit)
	case processdata.SeparationFanSpeed, 327:
		short := map[uint16]string{processdata.SeparationFanSpeed: "separation fan", 327: "header speed"}[m.DDI]
		got += fmt.Sprintf(" = %s %.3f /s = %.0f %s", short, float64(m.Value)*e.Resolution, value, unit)
	case processdata.CropLoss, processdata.CropMoisture:
		short := strings.TrimPrefix(e.Name, "percentage ")
		got += fmt.Sprintf(" = %s %d %s = %s %s", short, m.Value, e.Unit, strconv.FormatFloat(math.Round(value*1e4)/1e4, 'f', -1, 64), unit)
	case processdata.UnloadingStatus:
		words := [...]string{"off", "on", "error", "not installed"}
		got += fmt.Sprintf(" = unloading %s, loading %s", words[m.Value&3], words[m.Value>>8&3])
	}
	return same(got, v.want)
}

func checkVersion(v vector) error {
	n, ok := processdata.ParseVersion(bytesOf(v.data))
	if !ok {
		return fmt.Errorf("not a version")
	}
	return same(fmt.Sprintf("version=%d options=0x%X booms=%d sections=%d channels=%d", n.Version, n.Options, n.Booms, n.Sections, n.Channels), v.want)
}

func checkObject(v vector) error {
	p, err := processdata.ParsePool(bytesOf(v.data))
	if err != nil {
		return err
	}
	var got string
	switch {
	case len(p.Properties) == 1:
		o := p.Properties[0]
		got = fmt.Sprintf("DPT id=%d ddi=%d value=%d designator=%s presentation=%d", o.ID, o.DDI, o.Value, o.Designator, o.Presentation)
	case len(p.ProcessData) == 1:
		o := p.ProcessData[0]
		presentation := strconv.Itoa(int(o.Presentation))
		if o.Presentation == processdata.NoPresentation {
			presentation = "none (65535)"
		}
		got = fmt.Sprintf("DPD id=%d ddi=%d properties=%d triggers=%d designator=%s presentation=%s", o.ID, o.DDI, o.Properties, o.Triggers, o.Designator, presentation)
	case len(p.Elements) == 1:
		e := p.Elements[0]
		children := strings.ReplaceAll(strings.Trim(fmt.Sprint(e.Children), "[]"), " ", ",")
		got = fmt.Sprintf("DET id=%d type=%d (%s) designator=%s element=%d parent=%d children=%s", e.ID, e.Type, e.Type, e.Designator, e.Number, e.Parent, children)
	case len(p.Presentations) == 1:
		o := p.Presentations[0]
		got = fmt.Sprintf("DVP id=%d offset=%d scale=%v decimals=%d unit=%s", o.ID, o.Offset, o.Scale, o.Decimals, o.Unit)
	}
	return same(got, v.want)
}

// checkTimeRecord reads a record of a task file, all of whose fields are there.
func checkTimeRecord(v vector) error {
	has := processdata.TimeFields{North: true, East: true, Up: true, Status: true, PDOP: true, HDOP: true, Satellites: true, GPSTime: true, GPSDate: true}
	r, rest, err := processdata.ParseTimeRecord(bytesOf(v.data), has)
	if err != nil {
		return err
	}
	got := fmt.Sprintf("time=%s north=%.7f east=%.7f up=%d mm status=%d PDOP=%.1f HDOP=%.1f sats=%d gps_time=%d ms gps_date=%d values=%d",
		r.Time.Format("2006-01-02 15:04:05.000"), r.NorthDeg, r.EastDeg, r.UpMM, r.Status, r.PDOP, r.HDOP, r.Satellites, r.GPSTimeMS, r.GPSDateDays, len(r.Values))
	if got != v.want || len(rest) != 0 {
		return fmt.Errorf("%s and %d bytes more", got, len(rest))
	}
	return nil
}
