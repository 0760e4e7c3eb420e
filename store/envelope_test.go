package store

import (
	"bytes"
	"encoding/binary"
	"testing"
)

// Source: RFC 3720 (iSCSI), appendix B.4, "CRC Examples".
func TestSumIsCRC32C(t *testing.T) {
	rising := make([]byte, 32)
	for i := range rising {
		rising[i] = byte(i)
	}
	falling := make([]byte, 32)
	for i := range falling {
		falling[i] = byte(31 - i)
	}
	for _, c := range []struct {
		name string
		data []byte
		want []byte // as the RFC prints it, least significant byte first
	}{
		{"32 bytes of zeroes", make([]byte, 32), []byte{0xaa, 0x36, 0x91, 0x8a}},
		{"32 bytes of ones", bytes.Repeat([]byte{0xff}, 32), []byte{0x43, 0xab, 0xa8, 0x62}},
		{"32 bytes rising", rising, []byte{0x4e, 0x79, 0xdd, 0x46}},
		{"32 bytes falling", falling, []byte{0x5c, 0xdb, 0x3f, 0x11}},
	} {
		if got, want := sum(c.data[:7], c.data[7:]), binary.LittleEndian.Uint32(c.want); got != want {
			t.Errorf("%s: got %08x, want %08x", c.name, got, want)
		}
	}
}

func TestEveryFlippedBitIsFound(t *testing.T) {
	key := Key{3, 77}.bytes()
	value := seal(key, typeWall, []byte("seventeen bytes.."))
	if _, p, err := unseal(key, value); err != nil || string(p) != "seventeen bytes.." {
		t.Fatalf("whole: %q, %v", p, err)
	}
	both := append(append([]byte(nil), key...), value...)
	for bit := range len(both) * 8 {
		b := append([]byte(nil), both...)
		b[bit/8] ^= 1 << (bit % 8)
		if _, _, err := unseal(b[:keySize], b[keySize:]); err == nil {
			t.Errorf("bit %d flipped: not found", bit)
		}
	}
	for n := range value {
		if _, _, err := unseal(key, value[:n]); err == nil {
			t.Errorf("cut to %d bytes: not found", n)
		}
	}
}

// Any bytes may stand under any key of any bucket; what is accepted must say
// the same when it is written again.
func FuzzValues(f *testing.F) {
	key := Key{1, 2}.bytes()
	r := event("1-1", 0, 2)
	f.Add(key, seal(key, typeRecord, r.encode()))
	f.Add(key, seal(key, typeOutbox, outboxPayload(&r)))
	f.Add(key, seal(key, typeGap, (&Gap{Dropped: 3}).encode()))
	f.Add(stateKey, seal(stateKey, typeState, []byte(`{"schema":1}`)))
	f.Add([]byte{}, []byte{})
	f.Fuzz(func(t *testing.T, key, value []byte) {
		for i := range bucketCount {
			checkValue(i, key, value)
		}
		decodeState(value)
		if r, err := decodeRecord(key, value); err == nil {
			again, err := decodeRecord(r.Key.bytes(), seal(r.Key.bytes(), typeRecord+valueType(r.Kind), r.encode()))
			if err != nil || again.ID != r.ID || !bytes.Equal(again.Payload, r.Payload) {
				t.Errorf("%+v comes back as %+v, %v", r, again, err)
			}
		}
		// The same bytes as payloads whose checksum is right.
		for typ := range typeRecord + valueType(kindCount) {
			sealed := seal(key, typ, value)
			for i := range bucketCount {
				checkValue(i, key, sealed)
			}
			decodeRecord(key, sealed)
		}
		if len(value) >= pageHeader {
			scanLeaf(value, 0, 0, func([]byte, []byte, int64) {})
		}
	})
}
