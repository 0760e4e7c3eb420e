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
	doing bool   // something in the program takes inputs
	do    string // what stands before the inputs of this machine
}

// mayRead tells whether a filter or a topic may be read. A filter must name
// the prefix in full, so that it cannot reach beyond; a wildcard is allowed
// only after it.
func (a access) mayRead(role Role, filter string) (ok bool, why string) {
	switch {
	case role < Look || role >= roleCount:
		return false, "this client has no role"
	case !strings.HasPrefix(filter, publish.Prefix):
		return false, "only what begins with " + publish.Prefix + " can be read"
	}
	return true, ""
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
