package publish

import (
	"strconv"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

// Version is the version of the payloads.
const Version = 1

// Message is something to publish.
type Message struct {
	Topic   string
	Payload []byte // not changed by anyone once it is here; empty and retained clears the topic
	QoS     byte   // 0 or 1
	Retain  bool
}

// AppendEventMessage appends the payload of the topics event and alert: the
// envelope, the phase, the subject and the event object. Seq orders the
// messages of a run and must differ for each phase; at is when this phase was
// noticed.
func AppendEventMessage(dst []byte, seq uint64, at signal.Instant, e *detect.Event, times Clock) []byte {
	dst = appendEnvelope(dst, 'm', seq, at, times)
	dst = append(dst, `,"phase":`...)
	dst = appendString(dst, e.Phase.String())
	dst = append(dst, `,"subject":`...)
	dst = appendStringOrNull(dst, e.Subject)
	if e.Acknowledged {
		dst = append(dst, `,"acknowledged":true`...) // the operator has said that he knows of it
	}
	dst = append(dst, `,"event":`...)
	dst = AppendEvent(dst, e, times)
	return append(dst, '}')
}

// appendEnvelope opens an object with what every payload has. The id names
// the message, so that who gets it twice can tell. While the clock is unset,
// "at" is null: uptime_ms and boot still order and, once any message of the
// same boot has a date, date it.
func appendEnvelope(dst []byte, class byte, seq uint64, at signal.Instant, times Clock) []byte {
	dst = append(dst, `{"v":`...)
	dst = strconv.AppendInt(dst, Version, 10)
	dst = append(dst, `,"id":"`...)
	dst = append(dst, class)
	dst = strconv.AppendUint(dst, times.Boot, 10)
	dst = append(dst, '-')
	dst = strconv.AppendUint(dst, seq, 10)
	dst = append(dst, `","seq":`...)
	dst = strconv.AppendUint(dst, seq, 10)
	dst = append(dst, `,"boot":`...)
	dst = strconv.AppendUint(dst, times.Boot, 10)
	dst = append(dst, `,"at":`...)
	dst = appendDate(dst, times, at)
	if _, ok := times.date(at); ok {
		dst = append(dst, `,"clock":"synced"`...)
	} else {
		dst = append(dst, `,"clock":"unset"`...)
	}
	dst = append(dst, `,"uptime_ms":`...)
	return strconv.AppendInt(dst, at.Sub(times.Start).Milliseconds(), 10)
}
