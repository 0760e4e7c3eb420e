package history

import (
	"encoding/binary"
	"math/bits"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// MaxRows is the most rows of a block: three minutes.
const MaxRows = 180

const version = 1

// The forms of the numbers of a column.
const (
	formConstant = iota
	formLine
	formDifferences
	formPacked
	formCount
)

// Builder gathers rows for a block. In steady state it allocates nothing. The
// zero value is not usable.
type Builder struct {
	coding  *coding
	shift   uint32
	rows    int
	last    signal.Instant
	columns []column
}

// NewBuilder is empty.
func NewBuilder() *Builder {
	b := &Builder{coding: newCoding(), columns: make([]column, codeBasis+1+signal.Count)}
	for i := range b.columns {
		c := &b.columns[i]
		if i <= codeBasis {
			c.code = uint8(i)
			c.decimals = decimals(c.code, 0)
			continue
		}
		id := signal.ID(i - codeBasis - 1)
		c.code = b.coding.codes[id]
		c.decimals = decimals(c.code, id)
	}
	return b
}

// Rows is how many rows wait.
func (b *Builder) Rows() int { return b.rows }

// First is when the first row was that waits.
func (b *Builder) First() signal.Instant { return signal.Instant(b.columns[codeAt].values[0]) }

// Shift is the shift of the rows that wait.
func (b *Builder) Shift() uint32 { return b.shift }

// Add takes a row. It returns false, and takes nothing, when the row belongs
// into another block: because this one is full, or because the row is of another
// shift, or not after the last one.
func (b *Builder) Add(r *Row) bool {
	if b.rows == MaxRows || b.rows > 0 && (r.Shift != b.shift || r.At <= b.last) {
		return false
	}
	b.shift, b.last = r.Shift, r.At
	row := b.rows
	b.rows++
	b.columns[codeAt].put(row, int64(r.At))
	b.columns[codeActivity].put(row, int64(r.Activity))
	if r.OnTheGo {
		b.columns[codeOnTheGo].put(row, 1)
	}
	if r.Feed.Basis != machine.NoFeed {
		b.columns[codeBasis].put(row, int64(r.Feed.Basis))
		b.number(codeRate, row, float64(r.Feed.Rate))
		b.number(codeSD, row, float64(r.Feed.SD))
		if r.Feed.FullnessKnown {
			b.number(codeFullness, row, float64(r.Feed.Fullness))
		}
	}
	for id := range signal.ID(signal.Count) {
		if r.known[id] && b.coding.codes[id] != 0 {
			b.number(codeBasis+1+int(id), row, r.values[id])
		}
	}
	return true
}

func (b *Builder) number(i, row int, v float64) {
	c := &b.columns[i]
	if q, ok := quantise(v, c.decimals); ok {
		c.put(row, q)
	}
}

// AppendBlock appends the block of the rows that wait, and empties the builder.
// Without rows it appends nothing.
func (b *Builder) AppendBlock(dst []byte) []byte {
	if b.rows == 0 {
		return dst
	}
	used := 0
	for i := range b.columns {
		if b.columns[i].n > 0 {
			used++
		}
	}
	dst = append(dst, version)
	dst = binary.AppendUvarint(dst, uint64(b.shift))
	dst = binary.AppendUvarint(dst, uint64(b.rows))
	dst = binary.AppendUvarint(dst, uint64(used))
	for i := range b.columns {
		c := &b.columns[i]
		if c.n > 0 {
			dst = c.append(dst, b.rows)
		}
		c.n = 0
		clear(c.known[:b.rows])
	}
	b.rows = 0
	return dst
}

func (c *column) append(dst []byte, rows int) []byte {
	dst = append(dst, c.code, byte(c.decimals))
	dst = c.appendKnown(dst, rows)
	dst = append(dst, 0)
	form := len(dst) - 1
	dst = binary.AppendVarint(dst, c.values[0])
	var (
		all      uint64 // bits that any difference has
		varints  int
		straight = true
	)
	for i := 1; i < c.n; i++ {
		d := c.difference(i)
		all |= d
		varints += (bits.Len64(d|1) + 6) / 7
		straight = straight && d == c.difference(1)
	}
	width := bits.Len64(all)
	switch {
	case width == 0:
		dst[form] = formConstant
	case straight:
		dst[form] = formLine
		dst = binary.AppendUvarint(dst, c.difference(1))
	case 1+((c.n-1)*width+7)/8 < varints:
		dst[form] = formPacked
		dst = append(dst, byte(width))
		dst = c.appendPacked(dst, width)
	default:
		dst[form] = formDifferences
		for i := 1; i < c.n; i++ {
			dst = binary.AppendUvarint(dst, c.difference(i))
		}
	}
	return dst
}

// difference of value i to the one before it, in zigzag form. It may wrap, and
// wraps back.
func (c *column) difference(i int) uint64 {
	d := c.values[i] - c.values[i-1]
	return uint64(d<<1) ^ uint64(d>>63)
}

func (c *column) appendPacked(dst []byte, width int) []byte {
	var gathered byte
	filled := 0
	for i := 1; i < c.n; i++ {
		d := c.difference(i)
		for bit := range width {
			gathered |= byte(d>>bit&1) << filled
			if filled++; filled == 8 {
				dst = append(dst, gathered)
				gathered, filled = 0, 0
			}
		}
	}
	if filled > 0 {
		dst = append(dst, gathered)
	}
	return dst
}

// appendKnown appends 0, or the count of runs and their lengths, the first of
// which, perhaps 0, is of rows in which it is known.
func (c *column) appendKnown(dst []byte, rows int) []byte {
	if c.n == rows {
		return append(dst, 0)
	}
	runs, is := 1, true
	for _, k := range c.known[:rows] {
		if k != is {
			runs++
			is = k
		}
	}
	dst = binary.AppendUvarint(dst, uint64(runs))
	length, is := 0, true
	for _, k := range c.known[:rows] {
		if k != is {
			dst = binary.AppendUvarint(dst, uint64(length))
			length, is = 0, k
		}
		length++
	}
	return binary.AppendUvarint(dst, uint64(length))
}
