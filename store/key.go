package store

import (
	"encoding/binary"
	"fmt"

	"chaffinch/canbus/signal"
)

// Key is where a record stands. Keys order records as they were written.
type Key struct {
	Boot uint32 // counts openings for writing, from 1
	Seq  uint64 // counts records, from 1; goes on across boots and is never given twice
}

const keySize = 12

// String is the key as people and message ids see it: "boot-sequence".
func (k Key) String() string { return fmt.Sprintf("%d-%d", k.Boot, k.Seq) }

// Less tells whether k was written before l.
func (k Key) Less(l Key) bool {
	return k.Boot < l.Boot || k.Boot == l.Boot && k.Seq < l.Seq
}

// IsZero tells whether k is no record's key.
func (k Key) IsZero() bool { return k == Key{} }

// next is the smallest key after k.
func (k Key) next() Key { return Key{k.Boot, k.Seq + 1} }

func (k Key) bytes() []byte { return k.append(make([]byte, 0, keySize)) }

func (k Key) append(b []byte) []byte {
	b = binary.BigEndian.AppendUint32(b, k.Boot)
	return binary.BigEndian.AppendUint64(b, k.Seq)
}

func parseKey(b []byte) (Key, bool) {
	if len(b) != keySize {
		return Key{}, false
	}
	return Key{binary.BigEndian.Uint32(b), binary.BigEndian.Uint64(b[4:])}, true
}

func appendInstant(b []byte, t signal.Instant) []byte {
	return binary.BigEndian.AppendUint64(b, uint64(t))
}

func parseInstant(b []byte) signal.Instant {
	return signal.Instant(binary.BigEndian.Uint64(b))
}
