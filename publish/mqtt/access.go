package mqtt

import (
	"strings"

	"chaffinch/publish"
)

// Role is what a client of the broker inside may do. The zero value may do
// nothing.
type Role uint8

const (
	NoRole Role = iota
	Look        // read everything below chaffinch/v1/
	Answer      // also acknowledge, answer and bring checks
	SetUp       // also change the set-up
	roleCount
)

var roleNames = [roleCount]string{"none", "look", "answer", "set-up"}

// String is the word that credential files use.
func (r Role) String() string {
	if r < roleCount {
		return roleNames[r]
	}
	return "invalid"
}

// ParseRole is the reverse of String, for roles that can be given.
func ParseRole(s string) (Role, bool) {
	for r := Look; r < roleCount; r++ {
		if roleNames[r] == s {
			return r, true
		}
	}
	return NoRole, false
}

// inputs says which role an input needs at least.
var inputs = map[string]Role{"acknowledge": Answer, "answer": Answer, "check": Answer, "setup": SetUp}

// access are the rules of the broker inside. What no rule allows is denied.
type access struct {
	doing    bool       // something in the program takes inputs
	do       string     // what stands before the inputs of this machine
	readable [][]string // the levels of the topics, or filters, that may be read
}

// newAccess makes the rules for one machine.
func newAccess(own publish.Topics, doing bool) access {
	a := access{doing: doing, do: own.Inputs()}
	for _, topic := range []string{own.Availability(), own.Live(), own.Alerts(), own.Event(), own.Prompt(),
		own.Verdict(), own.Check(), own.Note(), own.Shift()} {
		a.readable = append(a.readable, strings.Split(topic, "/"))
	}
	return a
}

// mayRead tells whether a filter or a topic may be read. A filter must name
// the prefix in full, so that it cannot reach beyond, and must be able to match
// something that may be read. Each message is asked for again by its topic.
func (a access) mayRead(role Role, filter string) (ok bool, why string) {
	switch {
	case role < Look || role >= roleCount:
		return false, "this client has no role"
	case !strings.HasPrefix(filter, publish.Prefix):
		return false, "only what begins with " + publish.Prefix + " can be read"
	}
	levels := strings.Split(filter, "/")
	for _, r := range a.readable {
		if meet(levels, r) {
			return true, ""
		}
	}
	return false, "there is nothing to read"
}

// meet tells whether some topic matches both filters (MQTT 3.1.1, 4.7.1), given by
// their levels.
func meet(a, b []string) bool {
	for i := 0; ; i++ {
		switch {
		case i < len(a) && a[i] == "#", i < len(b) && b[i] == "#":
			return true
		case i == len(a) || i == len(b):
			return len(a) == len(b)
		case a[i] != b[i] && a[i] != "+" && b[i] != "+":
			return false
		}
	}
}

// mayWrite tells whether a client may publish on a topic.
func (a access) mayWrite(role Role, topic string) (ok bool, why string) {
	name, isInput := strings.CutPrefix(topic, a.do)
	if !isInput {
		return false, "only inputs can be written"
	}
	needs, exists := inputs[name]
	switch {
	case !exists:
		return false, "there is no such input"
	case role < needs || role >= roleCount:
		return false, "this needs the role " + needs.String()
	case !a.doing:
		return false, "nothing here takes inputs"
	}
	return true, ""
}
