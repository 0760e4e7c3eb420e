package publish

import (
	"strconv"

	"chaffinch/detect"
)

// Schema is the version of the event object.
const Schema = 1

// AppendEvent appends the event object, without a line end. The keys come in
// the order that is promised; the same event and clock give the same bytes.
// Dates that are not known are null, and so is what is not over.
func AppendEvent(dst []byte, e *detect.Event, times Clock) []byte {
	dst = append(dst, `{"schema":`...)
	dst = strconv.AppendInt(dst, Schema, 10)
	dst = append(dst, `,"id":"`...)
	dst = append(dst, EventID(times.Boot, e.Number)...)
	dst = append(dst, `","kind":`...)
	dst = appendString(dst, e.Kind)
	dst = append(dst, `,"priority":`...)
	dst = appendString(dst, e.Priority.String())
	dst = append(dst, `,"activity":`...)
	dst = appendString(dst, e.Activity.String())
	dst = append(dst, `,"began":`...)
	dst = appendDate(dst, times, e.Began)
	dst = append(dst, `,"raised":`...)
	dst = appendDate(dst, times, e.Raised)
	if e.Phase == detect.Ended {
		dst = append(dst, `,"ended":`...)
		dst = appendDate(dst, times, e.Ended)
		dst = append(dst, `,"duration_s":`...)
		dst = appendNumber(dst, e.Ended.Sub(e.Began).Seconds(), 1)
	} else {
		dst = append(dst, `,"ended":null,"duration_s":null`...)
	}
	dst = append(dst, `,"signal":`...)
	dst = appendStringOrNull(dst, e.Signal)
	dst = append(dst, `,"peak":`...)
	dst = appendPeak(dst, e)
	dst = append(dst, `,"evidence":`...)
	dst = appendEvidence(dst, e.Evidence)
	if e.Located {
		dst = append(dst, `,"latitude":`...)
		dst = appendNumber(dst, float64(e.Latitude), 7)
		dst = append(dst, `,"longitude":`...)
		dst = appendNumber(dst, float64(e.Longitude), 7)
	} else {
		dst = append(dst, `,"latitude":null,"longitude":null`...)
	}
	dst = append(dst, `,"text":`...)
	dst = appendString(dst, e.Text)
	return append(dst, '}')
}

// appendPeak appends {value, unit}, or null where there is no worst value.
func appendPeak(dst []byte, e *detect.Event) []byte {
	if e.Peak.Name == "" {
		return append(dst, null...)
	}
	dst = append(dst, `{"value":`...)
	dst = appendNumber(dst, e.Peak.Value, decimalsOf(e.Peak.Name))
	dst = append(dst, `,"unit":`...)
	dst = appendString(dst, e.Peak.Unit)
	return append(dst, '}')
}

// appendEvidence appends {name: value…} in the order given. Of facts with the
// same name the first stands: an object has each key once.
func appendEvidence(dst []byte, facts []detect.Fact) []byte {
	dst = append(dst, '{')
	for i, f := range facts {
		if named(facts[:i], f.Name) {
			continue
		}
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendString(dst, f.Name)
		dst = append(dst, ':')
		dst = appendNumber(dst, f.Value, decimalsOf(f.Name))
	}
	return append(dst, '}')
}

func named(facts []detect.Fact, name string) bool {
	for _, f := range facts {
		if f.Name == name {
			return true
		}
	}
	return false
}
