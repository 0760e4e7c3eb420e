package j1939

import (
	"slices"
	"sort"
)

// Message is a parameter group whose layout the program knows.
type Message struct {
	PGN    PGN
	Name   string
	Fields []Field
}

// catalog is every known message, ordered by PGN. It is never written to.
var catalog = sorted(engineMessages, motionMessages, implementMessages, valveMessages(), nmeaMessages)

func sorted(parts ...[]Message) []Message {
	all := slices.Concat(parts...)
	slices.SortFunc(all, func(a, b Message) int { return int(a.PGN) - int(b.PGN) })
	return all
}

// Messages lists the known messages by PGN. The list is the caller's own.
func Messages() []Message { return slices.Clone(catalog) }

// Lookup finds the layout of a parameter group, or nil.
func Lookup(pgn PGN) *Message {
	i := sort.Search(len(catalog), func(i int) bool { return catalog[i].PGN >= pgn })
	if i < len(catalog) && catalog[i].PGN == pgn {
		return &catalog[i]
	}
	return nil
}

// Field finds a field by its SPN, or nil.
func (m *Message) Field(spn uint32) *Field {
	if m == nil || spn == 0 {
		return nil
	}
	for i := range m.Fields {
		if m.Fields[i].SPN == spn {
			return &m.Fields[i]
		}
	}
	return nil
}

// Named finds a field by its name, or nil: for fields without an SPN.
func (m *Message) Named(name string) *Field {
	if m == nil {
		return nil
	}
	for i := range m.Fields {
		if m.Fields[i].Name == name {
			return &m.Fields[i]
		}
	}
	return nil
}
