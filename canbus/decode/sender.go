package decode

import "chaffinch/canbus/j1939"

// sender is whom the owner means by an address or a NAME. An address is a
// lease, so a sender that was named by its address is followed by the NAME that
// was first met at it.
type sender struct {
	given int16      // the configured address; anyone; or unknown if a NAME was configured
	node  j1939.Name // 0 while it is not known
	at    [interfaces]int16
}

// Senders that are not an address.
const (
	anyone  = -1
	unknown = -2 // it has no address, or none that was heard
)

// senderAt is a sender who is known by an address, or anyone.
func senderAt(address int16) sender {
	s := sender{given: address}
	for i := range s.at {
		s.at[i] = address
	}
	return s
}

// senderNamed is a sender who is known by its NAME.
func senderNamed(name j1939.Name) sender {
	s := senderAt(unknown)
	s.node = name
	return s
}

// is tells whether a frame from an address is the sender's.
func (s *sender) is(face, address uint8) bool {
	a := s.at[face]
	return a == anyone || a == int16(address)
}

// claimed notes that a node has an address now.
func (s *sender) claimed(face, address uint8, name j1939.Name) {
	switch here := s.at[face] == int16(address); {
	case s.given == anyone:
	case s.node == name:
		s.at[face] = int16(address)
	case s.node == 0 && here:
		s.node = name
	case here: // a stranger
		s.at[face] = unknown
	}
}

// lost notes that a node has no address any more.
func (s *sender) lost(face uint8, name j1939.Name) {
	if s.node == name && s.node != 0 {
		s.at[face] = unknown
	}
}
