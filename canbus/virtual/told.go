package virtual

import "fmt"

// told is the trouble of sensors and bus, which the script knows: it is true
// from when it began until it ended, if it lasted as long as the kind's delay.
func (s *script) told(c *Combine) (sure, doubtful []Interval) {
	for i := range s.list {
		r := &s.list[i]
		if r.state == waiting || r.kind.settle >= 0 {
			continue
		}
		end := r.from + r.For
		if r.state == active {
			end = min(end, c.seconds())
		}
		v := Interval{Began: r.from, Ended: end, GreyBefore: 0, GreyAfter: 10, Subject: r.Signal}
		long := end - r.from
		delay := 0.0
		switch r.Kind {
		case "silent", "missing":
			v.Kind, delay = "signal-silent", 5
		case "error":
			v.Kind, delay = "signal-faulty", 2
		case "stuck":
			v.Kind, delay = "signal-stuck", 0
			v.GreyAfter = 10
		case "implausible":
			v.Kind, delay = "signal-implausible", 1
		case "drift":
			// Slow drift is for a calibration to find.
			v.Kind = "signal-implausible"
			doubtful = append(doubtful, v)
			continue
		case "fault-code":
			v.Kind, delay = "fault-code", 1
			v.Subject = fmt.Sprintf("%d-%d", r.SPN, r.FMI)
		case "bus-silent":
			v.Kind, delay = "bus-silent", 2
			v.Subject = ""
		case "bus-errors":
			// Judged by their share of 10 s.
			v.Kind, v.Subject, v.GreyAfter = "bus-errors", "", 12
			switch share := r.Size * min(1, long/10); {
			case share < 0.6:
				continue
			case share < 1.3:
				doubtful = append(doubtful, v)
				continue
			}
		}
		switch {
		case r.kind.sensor && !c.sends(r.gauge):
		case long < 0.7*delay:
		case long < 1.2*delay, r.spared, r.unsent, r.Kind == "stuck" && r.cutS < 90, v.Kind == "signal-silent" && c.backed(r.gauge):
			doubtful = append(doubtful, v)
		default:
			sure = append(sure, v)
			if r.Kind == "missing" {
				for _, g := range r.gauge.with() {
					v.Subject = gaugeInfo[g].signal
					sure = append(sure, v)
				}
			}
		}
	}
	return sure, doubtful
}

// backed tells whether a listener may go on without the sensor: ground speed
// has other sources, and process data are taken to hold while their sender is
// heard.
func (c *Combine) backed(g gauge) bool {
	return g.inProcess() || g == groundSpeed && c.set.process
}
