package store

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
)

// Every value in the file is an envelope:
//
//	version  1 byte   envelopeVersion
//	type     1 byte   what the payload is
//	length   4 bytes  of the payload, big-endian
//	payload
//	CRC-32C  4 bytes  big-endian, over the key, then all of the above
//
// The sum covers the key, so that a record cannot be taken for another one.
// CRC-32C is the Castagnoli polynomial, as in iSCSI (RFC 3720, appendix B.4).

const (
	envelopeVersion  = 1
	envelopeOverhead = 10
)

// valueType says what a payload is. The numbers are on disk: they are never
// changed and never used for something else.
type valueType uint8

const (
	typeState  valueType = 1 // JSON of state
	typeWall   valueType = 2
	typeOutbox valueType = 3
	typeGap    valueType = 4
	typeActive valueType = 5
	typeRecord valueType = 16 // typeRecord + Kind
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var errEnvelope = errors.New("checksum or layout of a record is wrong")

func seal(key []byte, t valueType, payload []byte) []byte {
	b := make([]byte, 0, len(payload)+envelopeOverhead)
	b = append(b, envelopeVersion, byte(t))
	b = binary.BigEndian.AppendUint32(b, uint32(len(payload)))
	b = append(b, payload...)
	return binary.BigEndian.AppendUint32(b, sum(key, b))
}

// unseal returns the payload of an envelope that stands under key. The payload
// is part of value. It takes any bytes.
func unseal(key, value []byte) (valueType, []byte, error) {
	if len(value) < envelopeOverhead || value[0] != envelopeVersion {
		return 0, nil, errEnvelope
	}
	body := value[:len(value)-4]
	if uint64(binary.BigEndian.Uint32(body[2:])) != uint64(len(body)-6) {
		return 0, nil, errEnvelope
	}
	if binary.BigEndian.Uint32(value[len(body):]) != sum(key, body) {
		return 0, nil, errEnvelope
	}
	return valueType(body[1]), body[6:], nil
}

func sum(key, body []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, body)
}
