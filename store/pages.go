package store

import (
	"encoding/binary"
	"errors"
	"io"
)

// This file reads bbolt's leaf pages straight from the file, without the tree
// that leads to them, so that no damage to the tree can stop it. The layout
// (bbolt v1.5.0, internal/common/page.go; fields in the byte order of the
// machine, little-endian on all that we build for):
//
//	page     id 8, flags 2 (leaf: 2), count 2, overflow 4 (pages that follow), then count elements
//	element  flags 4 (1: value is a bucket), pos 4 (of the key, from the element), length of key 4, of value 4
//	bucket   root page 8 (0: the page follows in the value), sequence 8

const (
	pageHeader    = 16
	elementSize   = 16
	bucketHeader  = 16
	leafFlag      = 2
	bucketFlag    = 1
	maxPages      = 260 // of one leaf; up to four records are not split, and those of MaxPool take 257
	maxBucketDeep = 2
)

// scanPages calls fn for each key and value on each page of the file that
// looks like a leaf: of the tree as it is, and of commits before that were not
// written over yet. offset is where the key stands in the file. Pages that
// cannot be read are passed over. fn must copy what it keeps.
func scanPages(f io.ReaderAt, size int64, fn func(key, value []byte, offset int64)) {
	page := make([]byte, maxPages*pageSize)
	for at := int64(0); at < size; at += pageSize {
		n := readSome(f, page[:pageSize], at)
		if n < pageHeader || binary.LittleEndian.Uint16(page[8:]) != leafFlag {
			continue
		}
		if more := binary.LittleEndian.Uint32(page[12:]); more > 0 && n == pageSize {
			end := min(int64(more)+1, maxPages) * pageSize
			n += readSome(f, page[pageSize:end], at+pageSize)
		}
		scanLeaf(page[:n], at, 0, fn)
	}
}

func readSome(f io.ReaderAt, b []byte, at int64) int {
	n, err := f.ReadAt(b, at)
	if err != nil && !errors.Is(err, io.EOF) {
		return 0
	}
	return n
}

// leafElement is where the key and the value of element i of a leaf stand. ok is
// false where the page does not hold all of it. It takes any bytes.
func leafElement(page []byte, i int) (flags uint32, from, middle, end int64, ok bool) {
	start := pageHeader + i*elementSize
	if start+elementSize > len(page) {
		return 0, 0, 0, 0, false
	}
	e := page[start : start+elementSize]
	flags = binary.LittleEndian.Uint32(e)
	from = int64(start) + int64(binary.LittleEndian.Uint32(e[4:]))
	middle = from + int64(binary.LittleEndian.Uint32(e[8:]))
	end = middle + int64(binary.LittleEndian.Uint32(e[12:]))
	return flags, from, middle, end, end <= int64(len(page))
}

// scanLeaf takes any bytes.
func scanLeaf(page []byte, at int64, deep int, fn func(key, value []byte, offset int64)) {
	for i := range int(binary.LittleEndian.Uint16(page[10:])) {
		flags, from, middle, end, ok := leafElement(page, i)
		if !ok {
			continue
		}
		key, value := page[from:middle], page[middle:end]
		switch {
		case flags&bucketFlag == 0:
			fn(key, value, at+from)
		case deep < maxBucketDeep && len(value) >= bucketHeader+pageHeader && binary.LittleEndian.Uint64(value) == 0:
			scanLeaf(value[bucketHeader:], at+middle+bucketHeader, deep+1, fn)
		}
	}
}
