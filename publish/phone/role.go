package phone

// Role is what a paired device may do. Each may also do what those before it
// may. The zero value may do nothing.
type Role uint8

const (
	NoRole Role = iota
	Look        // see everything
	Answer      // also acknowledge, answer and bring checks
	SetUp       // also change the set-up, pair and forget devices
	roleCount
)

var roleWords = [roleCount]string{"none", "look", "answer", "setup"}

// String is the word of the API.
func (r Role) String() string {
	if r < roleCount {
		return roleWords[r]
	}
	return "invalid"
}

// ParseRole is the reverse of String, for roles that can be given.
func ParseRole(s string) (Role, bool) {
	for r := Look; r < roleCount; r++ {
		if roleWords[r] == s {
			return r, true
		}
	}
	return NoRole, false
}
