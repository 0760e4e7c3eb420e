package j1939

import (
	"encoding/binary"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"chaffinch/canbus/signal"
)

// mayBeGood says in another way than Indicate which raw values are values: by
// the table of SAE J1939-71 for each width and, for the other rules, by the
// list of those that are not.
func mayBeGood(r Rule, raw uint64, bits uint8) bool {
	all := uint64(math.MaxUint64) >> (64 - bits)
	switch r {
	case Whole:
		return true
	case States:
		return raw != all
	case NMEA, NMEASigned:
		top := all
		if r == NMEASigned {
			top = all >> 1
		}
		return raw != top && raw != top-1 && (raw != top-2 || bits <= 4)
	}
	if r == Limit && (raw == 4 || raw == 5) {
		return false
	}
	largest := limits[bits]
	if largest == 0 {
		panic(fmt.Sprintf("no limit for %d bits", bits))
	}
	return raw <= largest
}

// limits are the largest values by width, from the table of SAE J1939-71.
var limits = [65]uint64{1: 1, 2: 1, 3: 5, 4: 13, 5: 29, 6: 61, 7: 125, 8: 250, 16: 64255, 24: 0xFAFFFF, 32: 4211081215}

func TestIndicatorsNeverBecomeGood(t *testing.T) {
	for _, m := range Messages() {
		for i := range m.Fields {
			f := &m.Fields[i]
			check := func(raw uint64) {
				v, q := f.Value(raw)
				switch {
				case q == signal.Good && !mayBeGood(f.Rule, raw, f.Bits):
					t.Errorf("PGN %d %s: raw %#x is Good (%v)", m.PGN, f.Name, raw, v)
				case q == signal.Good && !(v >= f.Min && v <= f.Max):
					t.Errorf("PGN %d %s: %v is outside %v to %v", m.PGN, f.Name, v, f.Min, f.Max)
				case q != signal.Good && v != 0:
					t.Errorf("PGN %d %s: raw %#x is %v but has the value %v", m.PGN, f.Name, raw, q, v)
				case q == signal.Missing:
					t.Errorf("PGN %d %s: raw %#x is missing, which is not for a field to say", m.PGN, f.Name, raw)
				}
			}
			if f.Bits <= 16 {
				for raw := range uint64(1) << f.Bits {
					check(raw)
				}
				continue
			}
			all := uint64(math.MaxUint64) >> (64 - f.Bits)
			for low := range uint64(600) {
				check(low)
				check(all - low)
				check(all>>1 - low)
			}
			for top := range uint64(256) {
				check(top << (f.Bits - 8))
				check(top<<(f.Bits-8) | all>>8)
			}
		}
	}
}

func TestRangesByWidth(t *testing.T) {
	for _, bits := range []uint8{2, 3, 4, 5, 6, 8, 16, 24, 32} {
		all := uint64(math.MaxUint64) >> (64 - bits)
		if got := Ranges.Indicate(all, bits); got != IsNotAvailable {
			t.Errorf("%d bits, all ones: %v", bits, got)
		}
		if got := Ranges.Indicate(0, bits); got != IsValue {
			t.Errorf("%d bits, zero: %v", bits, got)
		}
		if got := Ranges.Indicate(Ranges.Largest(bits), bits); got != IsValue {
			t.Errorf("%d bits, largest value: %v", bits, got)
		}
		if got := Ranges.Indicate(Ranges.Largest(bits)+1, bits); got == IsValue {
			t.Errorf("%d bits: the one after the largest is a value", bits)
		}
	}
	for rule := Ranges; rule <= NMEASigned; rule++ {
		for bits := uint8(2); bits <= 8; bits++ {
			if rule == Limit && bits != 3 || rule == NMEASigned && bits < 8 {
				continue
			}
			for raw := range uint64(1) << bits {
				if got := rule.Indicate(raw, bits) == IsValue; got != mayBeGood(rule, raw, bits) {
					t.Errorf("rule %d, %d bits, raw %d: value %v", rule, bits, raw, got)
				}
			}
		}
	}
	// Only the top byte counts.
	if got := Ranges.Indicate(0xFF12, 16); got != IsNotAvailable {
		t.Errorf("0xFF12: %v", got)
	}
	if got := NMEASigned.Indicate(0x8000, 16); got != IsValue {
		t.Errorf("the lowest signed value: %v", got)
	}
}

func TestRangesAtRandom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bits := rapid.SampledFrom([]uint8{2, 3, 4, 5, 6, 7, 8, 16, 24, 32}).Draw(t, "bits")
		rule := Rule(rapid.Uint8Range(0, uint8(NMEASigned)).Draw(t, "rule"))
		raw := rapid.Uint64Range(0, math.MaxUint64>>(64-bits)).Draw(t, "raw")
		if rule == Limit && bits != 3 || rule == NMEASigned && bits < 8 {
			return
		}
		if got := rule.Indicate(raw, bits) == IsValue; got != mayBeGood(rule, raw, bits) {
			t.Fatalf("rule %d, %d bits, raw %#x: value %v", rule, bits, raw, got)
		}
	})
}

// A field past the received bytes is not available; reading never looks there.
func TestShortPayloads(t *testing.T) {
	full := make([]byte, 64)
	for i := range full {
		full[i] = 0x11
	}
	for _, m := range Messages() {
		for i := range m.Fields {
			f := &m.Fields[i]
			end := (int(f.Start) + int(f.Bits) + 7) / 8
			for n := range len(full) {
				_, q := f.Read(full[:n])
				if (n < end) != (q == signal.NotAvailable) {
					t.Errorf("PGN %d %s: %v with %d bytes of %d", m.PGN, f.Name, q, n, end)
				}
				if n > 8 || end > 8 {
					continue
				}
				if _, fq := f.ReadFrame(binary.LittleEndian.Uint64(full), uint8(n)); fq != q {
					t.Errorf("PGN %d %s: ReadFrame says %v, Read %v with %d bytes", m.PGN, f.Name, fq, q, n)
				}
			}
		}
	}
}

func TestCatalog(t *testing.T) {
	spns := map[uint32]PGN{}
	for i, m := range Messages() {
		if !m.PGN.Valid() {
			t.Errorf("%d is no parameter group number", m.PGN)
		}
		if i > 0 && m.PGN <= catalog[i-1].PGN {
			t.Errorf("PGN %d stands twice or out of order", m.PGN)
		}
		if Lookup(m.PGN) == nil || m.Name == "" {
			t.Errorf("PGN %d is not found or has no name", m.PGN)
		}
		var used [64 * 8]string
		for _, f := range m.Fields {
			if f.Name == "" || f.Scale <= 0 || !(f.Min < f.Max) {
				t.Errorf("PGN %d: %+v", m.PGN, f)
			}
			if f.SPN != 0 {
				if other, twice := spns[f.SPN]; twice {
					t.Errorf("SPN %d is in PGN %d and %d", f.SPN, other, m.PGN)
				}
				spns[f.SPN] = m.PGN
			}
			for b := f.Start; b < f.Start+uint16(f.Bits); b++ {
				if used[b] != "" {
					t.Errorf("PGN %d: %s overlaps %s", m.PGN, f.Name, used[b])
				}
				used[b] = f.Name
			}
		}
	}
	if Lookup(65132) != nil || Lookup(0) != nil {
		t.Error("an unknown group is found")
	}
}

func TestIdentifiers(t *testing.T) {
	if _, ok := ParseID(0x03FF0000); ok {
		t.Error("both page bits set is ISO 15765-3, not J1939")
	}
	if i, ok := ParseID(0x0DFE6CEE); !ok || i.PGN != 130668 {
		t.Errorf("data page 1: %+v", i)
	}
	for pgn, want := range map[PGN]bool{61444: true, 59904: true, 59905: false, 0x30000: false, 129025: true} {
		if pgn.Valid() != want {
			t.Errorf("PGN %d valid: %v", pgn, !want)
		}
	}
}
