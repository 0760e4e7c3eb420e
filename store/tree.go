package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
)

// This file follows bbolt's pages from the root before bbolt does. bbolt believes
// what they say: a page that claims to be a million pages long costs its own check
// gigabytes, and an empty bucket that calls itself a branch leads it in a circle.
// Here each page is looked at once at most, and each length against the file.
//
// The layout (bbolt v1.5.0, internal/common) of leaves is in pages.go. The rest:
//
//	meta      page header, then magic 4, version 4, page size 4, flags 4, root page 8, sequence 8,
//	          page of the free list 8, pages in use 8, transaction 8, FNV-1a of all that 8
//	branch    as a leaf; element: pos 4 (of the key, from the element), length of key 4, page 8
//	free list as a leaf; element: page 8; a count of 65,535 says that the first element is the count

const (
	branchFlag     = 1
	freeListFlag   = 16
	noFreeList     = 1<<64 - 1
	manyFree       = 1<<16 - 1
	metaEnd        = 80
	freeIDSize     = 8
	firstDataPage  = 2
	inlineBucketAt = bucketHeader + pageHeader
)

// meta is what one of the two meta pages says.
type meta struct{ root, freeList, pages, transaction uint64 }

// readMeta looks at a meta page. bbolt goes on with one of the two that is whole,
// and if the newer is broken, silently with the commit before the last.
func readMeta(f io.ReaderAt, page int64) (meta, error) {
	var b [metaEnd]byte
	if _, err := f.ReadAt(b[:], page*pageSize); err != nil {
		return meta{}, fmt.Errorf("%w: meta page %d: %w", ErrDamaged, page, err)
	}
	sum := fnv.New64a()
	sum.Write(b[pageHeader : metaEnd-8])
	word := func(at int) uint64 { return binary.LittleEndian.Uint64(b[at:]) }
	if sum.Sum64() != word(metaEnd-8) {
		return meta{}, fmt.Errorf("%w: meta page %d", ErrDamaged, page)
	}
	return meta{root: word(32), freeList: word(48), pages: word(56), transaction: word(64)}, nil
}

// tree is the walk: which pages were met, and which are still to be looked at.
type tree struct {
	f    io.ReaderAt
	met  []bool
	next []uint64
	page []byte
}

// checkTree makes sure that bbolt can follow the pages of a file to their end. It
// returns ErrDamaged with the first fault. Whether the keys are in order, and no
// page is lost, is left to bbolt's check.
func checkTree(f io.ReaderAt, size int64) error {
	newest, err := readMeta(f, 0)
	if err != nil {
		return err
	}
	other, err := readMeta(f, 1)
	if err != nil {
		return err
	}
	if other.transaction > newest.transaction {
		newest = other
	}
	if newest.pages > uint64(size/pageSize) {
		return fmt.Errorf("%w: %d pages in use, the file has %d", ErrDamaged, newest.pages, size/pageSize)
	}
	t := &tree{f: f, met: make([]bool, newest.pages), next: []uint64{newest.root}}
	for len(t.next) > 0 {
		id := t.next[len(t.next)-1]
		t.next = t.next[:len(t.next)-1]
		if err := t.look(id); err != nil {
			return fmt.Errorf("%w: page %d %w", ErrDamaged, id, err)
		}
	}
	if newest.freeList != noFreeList {
		if err := t.lookFree(newest.freeList); err != nil {
			return fmt.Errorf("%w: free list, page %d %w", ErrDamaged, newest.freeList, err)
		}
	}
	return nil
}

// inUse makes sure that the file has n pages from id on.
func (t *tree) inUse(id, n uint64) error {
	if pages := uint64(len(t.met)); id < firstDataPage || id >= pages || n > pages-id {
		return fmt.Errorf("is not among the %d in use, or goes on beyond them", pages)
	}
	return nil
}

// take marks n pages from id on as met.
func (t *tree) take(id, n uint64) error {
	if err := t.inUse(id, n); err != nil {
		return err
	}
	for i := range n {
		if t.met[id+i] {
			return errors.New("is in two places")
		}
		t.met[id+i] = true
	}
	return nil
}

// read brings a page, with the pages that it goes on in, into t.page.
func (t *tree) read(id uint64) (flags uint16, err error) {
	if err := t.inUse(id, 1); err != nil {
		return 0, err
	}
	var head [pageHeader]byte
	if _, err := t.f.ReadAt(head[:], int64(id)*pageSize); err != nil {
		return 0, fmt.Errorf("cannot be read: %w", err)
	}
	if is := binary.LittleEndian.Uint64(head[:]); is != id {
		return 0, fmt.Errorf("says that it is page %d", is)
	}
	n := uint64(binary.LittleEndian.Uint32(head[12:])) + 1
	if err := t.take(id, n); err != nil {
		return 0, err
	}
	if n *= pageSize; uint64(cap(t.page)) < n {
		t.page = make([]byte, n)
	}
	t.page = t.page[:n]
	if _, err := t.f.ReadAt(t.page, int64(id)*pageSize); err != nil {
		return 0, fmt.Errorf("cannot be read: %w", err)
	}
	return binary.LittleEndian.Uint16(head[8:]), nil
}

func (t *tree) look(id uint64) error {
	flags, err := t.read(id)
	if err != nil {
		return err
	}
	switch flags {
	case leafFlag:
		return t.lookLeaf(t.page, true)
	case branchFlag:
		return t.lookBranch()
	}
	return fmt.Errorf("is neither leaf nor branch: %#x", flags)
}

// lookLeaf looks at a leaf, or at one that stands in the value of a bucket, in
// which no bucket can be.
func (t *tree) lookLeaf(page []byte, buckets bool) error {
	for i := range int(binary.LittleEndian.Uint16(page[10:])) {
		flags, _, middle, end, ok := leafElement(page, i)
		if !ok {
			return fmt.Errorf("ends before its value %d does", i)
		}
		if flags&bucketFlag == 0 {
			continue
		}
		if value := page[middle:end]; !buckets || len(value) < bucketHeader {
			return errors.New("holds a bucket that is none")
		} else if root := binary.LittleEndian.Uint64(value); root != 0 {
			t.next = append(t.next, root)
		} else if len(value) < inlineBucketAt || binary.LittleEndian.Uint16(value[bucketHeader+8:]) != leafFlag {
			return errors.New("holds a bucket that is no leaf")
		} else if err := t.lookLeaf(value[bucketHeader:], false); err != nil {
			return fmt.Errorf("holds a bucket that %w", err)
		}
	}
	return nil
}

func (t *tree) lookBranch() error {
	n := uint64(binary.LittleEndian.Uint16(t.page[10:]))
	if n == 0 {
		return errors.New("is a branch to nowhere")
	}
	for i := range n {
		start := pageHeader + i*elementSize
		if start+elementSize > uint64(len(t.page)) {
			return errors.New("counts more than it can hold")
		}
		e := t.page[start : start+elementSize]
		if start+uint64(binary.LittleEndian.Uint32(e))+uint64(binary.LittleEndian.Uint32(e[4:])) > uint64(len(t.page)) {
			return fmt.Errorf("ends before its key %d does", i)
		}
		t.next = append(t.next, binary.LittleEndian.Uint64(e[8:]))
	}
	return nil
}

func (t *tree) lookFree(id uint64) error {
	flags, err := t.read(id)
	if err != nil {
		return err
	}
	if flags != freeListFlag {
		return fmt.Errorf("is no free list: %#x", flags)
	}
	n := uint64(binary.LittleEndian.Uint16(t.page[10:]))
	ids := t.page[pageHeader:]
	if n == manyFree {
		n, ids = binary.LittleEndian.Uint64(ids), ids[freeIDSize:]
	}
	if n > uint64(len(ids)/freeIDSize) {
		return errors.New("counts more than it can hold")
	}
	for i := range n {
		free := binary.LittleEndian.Uint64(ids[i*freeIDSize:])
		if err := t.take(free, 1); err != nil {
			return fmt.Errorf("names page %d, which %w", free, err)
		}
	}
	return nil
}
