package store

import (
	"encoding/binary"
	"io"
)

// scanEnvelopes calls fn for each key and value of a record or wall record that
// stands anywhere in the file with a checksum that is right. It needs no page to be
// whole but those that the value itself is on: the block of a large leaf may be
// without damage where the head of the leaf is not. fn must copy what it keeps.
func scanEnvelopes(f io.ReaderAt, size int64, fn func(key, value []byte, offset int64)) {
	b := make([]byte, scanChunk+longestEntry)
	for start := int64(0); start < size; start += scanChunk {
		n := readSome(f, b[:min(int64(len(b)), size-start)], start)
		if n == 0 {
			n = readPages(f, b[:min(int64(len(b)), size-start)], start)
		}
		for i := keySize; i < n && i < scanChunk+keySize; i++ {
			value, ok := envelopeAt(b[i:n])
			if !ok {
				continue
			}
			key := b[i-keySize : i]
			if _, _, err := unseal(key, value); err != nil {
				continue
			}
			fn(key, value, start+int64(i-keySize))
			i += len(value) - 1
		}
	}
}

const (
	scanChunk    = 1 << 20
	longestEntry = keySize + envelopeOverhead + recordHeaderSize + MaxID + MaxPool
)

// readPages reads a stretch in which some pages cannot be read; these are zeros.
func readPages(f io.ReaderAt, b []byte, at int64) int {
	clear(b)
	for i := 0; i < len(b); i += pageSize {
		readSome(f, b[i:min(i+pageSize, len(b))], at+int64(i))
	}
	return len(b)
}

// envelopeAt is the value that may begin here, by its first bytes.
func envelopeAt(b []byte) ([]byte, bool) {
	if len(b) < envelopeOverhead || b[0] != envelopeVersion {
		return nil, false
	}
	if t := valueType(b[1]); t != typeWall && (t < typeRecord || t >= typeRecord+valueType(kindCount)) {
		return nil, false
	}
	length := int64(binary.BigEndian.Uint32(b[2:])) + envelopeOverhead
	if length > int64(len(b)) || length > longestEntry-keySize {
		return nil, false
	}
	return b[:length], true
}
