package j1939

import (
	"encoding/binary"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// CommandedAddress is the group by which one node orders another, named by its
// NAME, to take an address: 9 bytes, by the transport protocol.
const CommandedAddress PGN = 65240

const (
	// contest is how long the owner of an address has to defend it against a
	// higher NAME (SAE J1939-81: a claim settles 250 ms after it was sent).
	contest = 250 * time.Millisecond
	// obedience is how soon a commanded node is expected to claim.
	obedience = 2 * time.Second
)

// AddressChange says that a node moved, came, or lost its address.
type AddressChange struct {
	At        signal.Instant
	Name      Name
	From, To  uint8 // NullAddress for none
	Interface uint8
	Commanded bool // the address is the one that another node ordered
}

// Addresses knows who has which source address, on each interface, from
// address claims alone. An address is a lease: long-lived data belong to a
// NAME, and a source address only tells whom a frame is from just now.
//
// A listener can not ask for claims. Until a node claims, which may take hours,
// its address is unknown. The zero Addresses is ready.
type Addresses struct {
	buses []leases // by interface
	// due is when the next contest ends.
	due     signal.Instant
	open    int // contests
	changes []AddressChange
}

// leases are the addresses of one interface.
type leases struct {
	of [NullAddress]lease
	// ordered is the newest commanded address.
	ordered   Name
	orderedTo uint8
	orderedAt signal.Instant
}

type lease struct {
	held      bool
	contested bool
	name      Name
	claimed   signal.Instant // last claim
	// A higher NAME that claimed the address too, and when.
	challenger Name
	since      signal.Instant
}

// Feed takes a frame that was received at the event time at and returns the
// changes that follow from it, in the order in which they happened. The slice
// is valid until the next Feed. Feed it every frame: an address that a higher
// NAME claims changes hands when its owner has not defended it for 250 ms.
func (a *Addresses) Feed(f *canbus.Frame, at signal.Instant) []AddressChange {
	claim := PGN(f.ID>>8&0x3FF00) == AddressClaimed
	if !claim && (a.open == 0 || at < a.due) {
		return nil
	}
	a.changes = a.changes[:0]
	a.settle(at)
	if claim && f.Len == 8 && f.Flags&(canbus.Extended|canbus.Remote|canbus.ErrorFrame|canbus.FD) == canbus.Extended {
		name := Name(binary.LittleEndian.Uint64(f.Data[:]))
		if uint8(f.ID>>8) == GlobalAddress && name != ^Name(0) {
			a.claim(a.bus(f.Interface), f.Interface, name, uint8(f.ID), at)
		}
	}
	return a.changes
}

// Command takes a complete message; if it is a commanded address, the change
// that the node's next claim makes is marked. Until then nothing changes: the
// node may refuse.
func (a *Addresses) Command(m *Transfer) {
	name, to, ok := ParseCommandedAddress(m)
	if !ok {
		return
	}
	b := a.bus(m.Interface)
	b.ordered, b.orderedTo, b.orderedAt = name, to, m.Last
}

// ParseCommandedAddress reads a commanded address. It is false for another
// group, another length, and an address that no node can have.
func ParseCommandedAddress(m *Transfer) (name Name, to uint8, ok bool) {
	if m.PGN != CommandedAddress || len(m.Payload) != 9 || m.Payload[8] >= NullAddress {
		return 0, 0, false
	}
	return Name(binary.LittleEndian.Uint64(m.Payload)), m.Payload[8], true
}

// Name is the NAME that holds the address.
func (a *Addresses) Name(iface, address uint8) (Name, bool) {
	if l := a.lease(iface, address); l != nil {
		return l.name, true
	}
	return 0, false
}

// Address is the address that the NAME holds.
func (a *Addresses) Address(iface uint8, name Name) (uint8, bool) {
	if int(iface) < len(a.buses) {
		return a.buses[iface].find(name)
	}
	return NullAddress, false
}

// LastClaim is when the holder of the address last claimed it.
func (a *Addresses) LastClaim(iface, address uint8) (signal.Instant, bool) {
	if l := a.lease(iface, address); l != nil {
		return l.claimed, true
	}
	return signal.Never, false
}

func (a *Addresses) lease(iface, address uint8) *lease {
	if int(iface) >= len(a.buses) || address >= NullAddress || !a.buses[iface].of[address].held {
		return nil
	}
	return &a.buses[iface].of[address]
}

func (a *Addresses) bus(iface uint8) *leases {
	for int(iface) >= len(a.buses) {
		a.buses = append(a.buses, leases{})
	}
	return &a.buses[iface]
}

func (b *leases) find(name Name) (uint8, bool) {
	for i := range b.of {
		if b.of[i].held && b.of[i].name == name {
			return uint8(i), true
		}
	}
	return NullAddress, false
}

func (a *Addresses) claim(b *leases, iface uint8, name Name, to uint8, at signal.Instant) {
	if to == GlobalAddress {
		return // never a sender
	}
	a.withdraw(b, name, to)
	if to == NullAddress { // cannot claim
		if from, ok := b.find(name); ok {
			a.report(b, iface, name, from, to, at)
			a.vacate(b, iface, from, at)
		}
		return
	}
	l := &b.of[to]
	switch {
	case l.held && l.name == name:
		l.claimed = at
		if l.contested { // defended
			l.contested = false
			a.open--
		}
	case l.held && l.name < name:
		// The owner will win if it is still there.
		if !l.contested {
			a.open++
		}
		if !l.contested || name <= l.challenger {
			l.contested, l.challenger, l.since = true, name, at
			a.due = a.firstDue()
		}
	default:
		a.take(b, iface, name, to, at)
	}
}

// take gives the address to a NAME. Whoever held it has none, and the NAME
// leaves the address that it had.
func (a *Addresses) take(b *leases, iface uint8, name Name, to uint8, at signal.Instant) {
	from, had := b.find(name)
	l := &b.of[to]
	if l.held {
		if l.contested {
			a.open--
		}
		a.report(b, iface, l.name, to, NullAddress, at)
	}
	*l = lease{held: true, name: name, claimed: at}
	a.report(b, iface, name, from, to, at)
	if had {
		a.vacate(b, iface, from, at)
	}
}

// vacate frees an address, for its challenger if there is one.
func (a *Addresses) vacate(b *leases, iface, address uint8, at signal.Instant) {
	l := b.of[address]
	b.of[address] = lease{}
	if l.contested {
		a.open--
		a.take(b, iface, l.challenger, address, at)
	}
}

// withdraw ends the contests in which a NAME that claims another address was
// the challenger.
func (a *Addresses) withdraw(b *leases, name Name, to uint8) {
	for i := range b.of {
		if l := &b.of[i]; l.contested && l.challenger == name && uint8(i) != to {
			l.contested = false
			a.open--
		}
	}
}

// settle ends the contests whose time is over: the owner was silent, so the
// challenger has the address.
func (a *Addresses) settle(at signal.Instant) {
	if a.open == 0 || at < a.due {
		return
	}
	for i := range a.buses {
		b := &a.buses[i]
		for to := range b.of {
			if l := &b.of[to]; l.contested && at >= l.since.Add(contest) {
				since := l.since
				a.take(b, uint8(i), l.challenger, uint8(to), since.Add(contest))
				b.of[to].claimed = since
			}
		}
	}
	a.due = a.firstDue()
}

func (a *Addresses) firstDue() signal.Instant {
	due := farAway
	for i := range a.buses {
		for j := range a.buses[i].of {
			if l := &a.buses[i].of[j]; l.contested {
				due = min(due, l.since.Add(contest))
			}
		}
	}
	return due
}

func (a *Addresses) report(b *leases, iface uint8, name Name, from, to uint8, at signal.Instant) {
	c := AddressChange{At: at, Interface: iface, Name: name, From: from, To: to}
	if b.orderedTo == to && b.ordered == name && to != NullAddress && b.ordered != 0 && at.Sub(b.orderedAt) <= obedience {
		c.Commanded = true
		b.ordered = 0
	}
	a.changes = append(a.changes, c)
}
