package shift

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
)

// chart is the ground that has been cut, in cells of a square metre: each is
// either cut or not. Cells stand in tiles of 64 by 64, of which there are only
// those that were touched.
type chart struct {
	tiles []tile
	index map[place]int32
	last  int32 // the tile that was touched last, or -1
}

// place is that of a tile: its field, and its corner in tiles from the field's
// origin, east and north.
type place struct {
	Field, X, Y int32
}

type tile struct {
	at   place
	rows [tileSide]uint64
}

const (
	tileSide = 64
	// maxTiles bounds the chart: 2 MB, and 1,600 ha if all of each is used.
	maxTiles = 4096
	// maxCells bounds one piece of a swath, which is a few metres long.
	maxCells = 4000
)

func newChart() *chart { return &chart{index: make(map[place]int32), last: -1} }

// tile returns the tile at a place, or nil where there is no more room.
func (c *chart) tile(at place) *tile {
	if c.last >= 0 && c.tiles[c.last].at == at {
		return &c.tiles[c.last]
	}
	i, ok := c.index[at]
	if !ok {
		if len(c.tiles) == maxTiles {
			return nil
		}
		i = int32(len(c.tiles))
		c.tiles = append(c.tiles, tile{at: at})
		c.index[at] = i
	}
	c.last = i
	return &c.tiles[i]
}

// point is on the plane of a field, in metres east and north of its origin.
type point struct{ X, Y float64 }

// cut marks a piece of a swath, a quadrilateral given by the ends of two edges
// of the header, and returns how many cells of it were new. It is false when the
// chart has no room for it.
func (c *chart) cut(field int32, left, right, nextLeft, nextRight point) (fresh int, ok bool) {
	// Two triangles: in a sharp turn the one edge runs backwards, and the
	// quadrilateral would cross itself.
	n1, ok1 := c.triangle(field, left, right, nextRight)
	n2, ok2 := c.triangle(field, left, nextRight, nextLeft)
	return n1 + n2, ok1 && ok2
}

// gridM shifts the cells against the origin, which lies in the middle of a pass:
// else the edges of passes of whole metres would run through the middles of cells,
// where rounding decides.
const gridM = 0.37

// triangle marks the cells whose middle lies in it.
func (c *chart) triangle(field int32, a, b, d point) (fresh int, ok bool) {
	for _, p := range [3]*point{&a, &b, &d} {
		p.X += gridM
		p.Y += gridM
	}
	low := math.Ceil(min(a.Y, b.Y, d.Y) - 0.5)
	high := math.Ceil(max(a.Y, b.Y, d.Y)-0.5) - 1
	if !(high-low < maxCells) || math.Abs(low) > 1e6 {
		return 0, false
	}
	ok = true
	for y := low; y <= high; y++ {
		from, to := math.Inf(1), math.Inf(-1)
		for _, e := range [3][2]point{{a, b}, {b, d}, {d, a}} {
			if x, crosses := crossing(e[0], e[1], y+0.5); crosses {
				from, to = min(from, x), max(to, x)
			}
		}
		if !(to > from) || to-from > maxCells || math.Abs(from) > 1e6 {
			continue
		}
		n, fits := c.run(field, int32(math.Ceil(from-0.5)), int32(math.Ceil(to-0.5)), int32(y))
		fresh += n
		ok = ok && fits
	}
	return fresh, ok
}

// crossing is where an edge crosses a height. The lower end belongs to it.
func crossing(a, b point, y float64) (x float64, ok bool) {
	if a.Y > b.Y {
		a, b = b, a
	}
	if y < a.Y || y >= b.Y {
		return 0, false
	}
	return a.X + (b.X-a.X)*(y-a.Y)/(b.Y-a.Y), true
}

// run marks the cells of a row from one up to before another.
func (c *chart) run(field, from, to, y int32) (fresh int, ok bool) {
	for from < to {
		corner := from &^ (tileSide - 1)
		end := min(to, corner+tileSide)
		t := c.tile(place{field, corner / tileSide, (y &^ (tileSide - 1)) / tileSide})
		if t == nil {
			return fresh, false
		}
		n := uint(end - from)
		mask := (^uint64(0) >> (64 - n)) << uint(from-corner)
		row := &t.rows[y&(tileSide-1)]
		fresh += bits.OnesCount64(mask &^ *row)
		*row |= mask
		from = end
	}
	return fresh, true
}

// maxChart is the most bytes that a chart may take when it is stored. A larger
// one is not stored, and what was cut before a restart is not known after it.
const maxChart = 120 << 10

// pack makes bytes of the chart, or nothing when they are too many.
func (c *chart) pack() []byte {
	if len(c.tiles) == 0 {
		return nil
	}
	var packed bytes.Buffer
	w, err := flate.NewWriter(&packed, flate.BestSpeed)
	if err != nil {
		return nil
	}
	var head []byte
	for i := range c.tiles {
		t := &c.tiles[i]
		head = binary.AppendVarint(head[:0], int64(t.at.Field))
		head = binary.AppendVarint(head, int64(t.at.X))
		head = binary.AppendVarint(head, int64(t.at.Y))
		var before uint64
		for _, row := range t.rows { // a row is mostly like the one before it
			head = binary.LittleEndian.AppendUint64(head, row^before)
			before = row
		}
		if _, err := w.Write(head); err != nil {
			return nil
		}
	}
	if w.Close() != nil || packed.Len() > maxChart {
		return nil
	}
	return packed.Bytes()
}

// unpack takes any bytes.
func unpack(packed []byte) (*chart, error) {
	c := newChart()
	if len(packed) == 0 {
		return c, nil
	}
	r := &byteReader{r: flate.NewReader(bytes.NewReader(packed))}
	for {
		field, err := binary.ReadVarint(r)
		if errors.Is(err, io.EOF) {
			return c, nil
		}
		x, err1 := binary.ReadVarint(r)
		y, err2 := binary.ReadVarint(r)
		var rows [tileSide * 8]byte
		_, err3 := io.ReadFull(r.r, rows[:])
		if err := errors.Join(err, err1, err2, err3); err != nil {
			return nil, fmt.Errorf("shift: chart: %w", err)
		}
		at := place{int32(field), int32(x), int32(y)}
		if _, twice := c.index[at]; twice {
			return nil, fmt.Errorf("shift: chart: tile %v comes twice", at)
		}
		t := c.tile(at)
		if t == nil {
			return nil, errors.New("shift: chart: too many tiles")
		}
		var before uint64
		for i := range t.rows {
			before ^= binary.LittleEndian.Uint64(rows[8*i:])
			t.rows[i] = before
		}
	}
}

type byteReader struct {
	r   io.Reader
	one [1]byte
}

func (b *byteReader) ReadByte() (byte, error) {
	_, err := io.ReadFull(b.r, b.one[:])
	return b.one[0], err
}
