package history

import (
	"encoding/binary"
	"errors"
	"fmt"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Decoder takes blocks apart. The zero value is ready; it holds one block at a
// time and may be used again.
type Decoder struct {
	coding *coding
	shift  uint32
	rows   int
	all    []Row
}

// errShort is of a block that ends too early.
var errShort = errors.New("it is cut short")

// Decode takes a block. Any bytes may be given: the error says what is wrong
// with them. Columns that this version does not know are passed over.
func (d *Decoder) Decode(block []byte) error {
	if d.coding == nil {
		d.coding = newCoding()
		d.all = make([]Row, MaxRows)
	}
	d.rows = 0
	if err := d.decode(block); err != nil {
		d.rows = 0
		return fmt.Errorf("history: block of %d bytes: %w", len(block), err)
	}
	return nil
}

// Rows is how many rows the block has.
func (d *Decoder) Rows() int { return d.rows }

// Row is one of them, valid until the next Decode.
func (d *Decoder) Row(i int) *Row { return &d.all[i] }

func (d *Decoder) decode(block []byte) error {
	r := reader{rest: block}
	if v := r.byte(); v != version && !r.short {
		return fmt.Errorf("version %d is not known", v)
	}
	shift, rows, columns := r.uvarint(), r.uvarint(), r.uvarint()
	switch {
	case r.short:
		return errShort
	case shift > 1<<32-1:
		return fmt.Errorf("shift %d cannot be", shift)
	case rows == 0 || rows > MaxRows:
		return fmt.Errorf("%d rows cannot be: 1 to %d", rows, MaxRows)
	case columns == 0 || columns > 256:
		return fmt.Errorf("%d columns cannot be", columns)
	}
	d.shift = uint32(shift)
	for i := range d.all[:rows] {
		d.all[i] = Row{Shift: d.shift}
	}
	var c column
	var seen [256]bool
	for range columns {
		if err := r.column(&c, int(rows)); err != nil {
			return fmt.Errorf("column %d: %w", c.code, err)
		}
		if seen[c.code] {
			return fmt.Errorf("column %d comes twice", c.code)
		}
		seen[c.code] = true
		if err := d.take(&c, int(rows)); err != nil {
			return fmt.Errorf("column %d: %w", c.code, err)
		}
	}
	switch {
	case len(r.rest) > 0:
		return fmt.Errorf("%d bytes too many", len(r.rest))
	case !seen[codeAt] || !seen[codeActivity]:
		return errors.New("it has no times, or no activities")
	}
	d.rows = int(rows)
	return nil
}

// take puts the values of a column into the rows.
func (d *Decoder) take(c *column, rows int) error {
	n := 0
	for i := range rows {
		row := &d.all[i]
		if !c.known[i] {
			if c.code == codeAt || c.code == codeActivity {
				return errors.New("it is not known in all rows")
			}
			continue
		}
		q := c.values[n]
		n++
		v := float64(q) / powers[c.decimals]
		switch c.code {
		case codeAt:
			row.At = signal.Instant(q)
			if i > 0 && row.At <= d.all[i-1].At {
				return errors.New("time goes back")
			}
		case codeActivity:
			if !activityKnown(q) {
				return fmt.Errorf("there is no activity %d", q)
			}
			row.Activity = machine.Activity(q)
		case codeOnTheGo:
			row.OnTheGo = q != 0
		case codeRate:
			row.Feed.Rate = signal.TPH(v)
		case codeSD:
			row.Feed.SD = signal.TPH(v)
		case codeFullness:
			row.Feed.Fullness, row.Feed.FullnessKnown = signal.Percent(v), true
		case codeBasis:
			if !basisKnown(q) {
				return fmt.Errorf("there is no basis %d of feed", q)
			}
			row.Feed.Basis = machine.FeedBasis(q)
		default:
			if id := d.coding.ids[c.code]; id != noSignal {
				row.Set(id, v)
			}
		}
	}
	return nil
}

// reader takes numbers from the front of bytes, and notes when there are none.
type reader struct {
	rest  []byte
	short bool
}

func (r *reader) byte() byte {
	if len(r.rest) == 0 {
		r.short = true
		return 0
	}
	b := r.rest[0]
	r.rest = r.rest[1:]
	return b
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.rest)
	if n <= 0 {
		r.short, r.rest = true, nil
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

func zigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

func (r *reader) column(c *column, rows int) error {
	c.code, c.decimals = r.byte(), int(r.byte())
	if c.decimals >= len(powers) {
		return fmt.Errorf("steps of 10^-%d cannot be", c.decimals)
	}
	if err := r.known(c, rows); err != nil {
		return err
	}
	form := r.byte()
	if r.short {
		return errShort
	}
	if form >= formCount {
		return fmt.Errorf("there is no form %d", form)
	}
	c.values[0] = zigzag(r.uvarint())
	var line uint64
	width := 0
	switch form {
	case formLine:
		line = r.uvarint()
	case formPacked:
		if width = int(r.byte()); width > 64 {
			return fmt.Errorf("%d bits of a number cannot be", width)
		}
		if need := ((c.n-1)*width + 7) / 8; need > len(r.rest) {
			return errShort
		}
	}
	bit := 0
	for i := 1; i < c.n; i++ {
		var d uint64
		switch form {
		case formLine:
			d = line
		case formDifferences:
			d = r.uvarint()
		case formPacked:
			for k := range width {
				d |= uint64(r.rest[bit/8]>>(bit%8)&1) << k
				bit++
			}
		}
		c.values[i] = c.values[i-1] + zigzag(d)
	}
	if form == formPacked {
		r.rest = r.rest[(bit+7)/8:]
	}
	if r.short {
		return errShort
	}
	return nil
}

// known fills in the rows in which a column is known, and their count.
func (r *reader) known(c *column, rows int) error {
	runs := r.uvarint()
	if runs == 0 {
		for i := range rows {
			c.known[i] = true
		}
		c.n = rows
		return nil
	}
	at := 0
	c.n = 0
	for run := range runs {
		length := r.uvarint()
		if r.short {
			return errShort
		}
		if length > uint64(rows-at) || length == 0 && run > 0 {
			return errors.New("its runs do not fit the rows")
		}
		for range length {
			c.known[at] = run%2 == 0
			if c.known[at] {
				c.n++
			}
			at++
		}
	}
	if at != rows || c.n == 0 {
		return errors.New("its runs do not fit the rows")
	}
	return nil
}
