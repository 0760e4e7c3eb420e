package publish

import "strings"

// Prefix stands before the machine's name in every topic. The 1 changes only
// when a receiver would misread.
const Prefix = "chaffinch/v1/"

// longestName keeps topics short whatever the machine is called.
const longestName = 64

// Topics are the topics of one machine. The zero value is not usable.
type Topics struct{ base string }

// NewTopics makes the topics of the machine of this name. A name without a
// letter or digit of ASCII is written "machine".
func NewTopics(machine string) Topics {
	name := level(machine)
	if name == "" {
		name = "machine"
	}
	return Topics{base: Prefix + name + "/"}
}

// Machine is the machine's name as the topics have it.
func (t Topics) Machine() string {
	return strings.TrimSuffix(strings.TrimPrefix(t.base, Prefix), "/")
}

// Availability is "online" or "offline", retained, and the last will.
func (t Topics) Availability() string { return t.base + "availability" }

// Live is the newest values, at most once a second, retained.
func (t Topics) Live() string { return t.base + "live" }

// Event is each phase of each event once, not retained.
func (t Topics) Event() string { return t.base + "event" }

// Alert is an alert of this kind and subject, retained while it is active.
// The subject is empty where a kind can be active only once.
func (t Topics) Alert(kind, subject string) string {
	topic := t.base + "alert/" + level(kind)
	if s := level(subject); s != "" {
		topic += "/" + s
	}
	return topic
}

// Alerts is the filter that matches every alert.
func (t Topics) Alerts() string { return t.base + "alert/#" }

// Prompt is the open prompt, retained, or empty. Each prompt also comes once
// when it opens and once when it closes, not retained; its phase tells.
func (t Topics) Prompt() string { return t.base + "prompt" }

// Verdict is whether a change helped, not retained.
func (t Topics) Verdict() string { return t.base + "verdict" }

// Check is each check that is asked for, withdrawn or told, not retained.
func (t Topics) Check() string { return t.base + "check" }

// Note is what else the adviser tells: settings that were changed, targets, and
// remarks; not retained.
func (t Topics) Note() string { return t.base + "note" }

// Shift is the summary of a shift, not retained.
func (t Topics) Shift() string { return t.base + "shift" }

// Inputs stands before the topics that are written to the program.
func (t Topics) Inputs() string { return t.base + "do/" }

// The words on Availability.
const (
	Online  = "online"
	Offline = "offline"
)

// level makes one level of a topic: lower case, digits and single hyphens.
// What MQTT 3.1.1 (4.7) gives a meaning to cannot come through.
func level(s string) string {
	var b strings.Builder
	hyphen := false
	for _, r := range strings.ToLower(s) {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') {
			hyphen = b.Len() > 0
			continue
		}
		if hyphen {
			b.WriteByte('-')
			hyphen = false
		}
		if b.WriteRune(r); b.Len() >= longestName {
			break
		}
	}
	return b.String()
}
