package find

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"chaffinch/canbus"
)

// Source gives frames in the order of their stamps, as a canbus.LogReader does.
type Source interface {
	Read(dst []canbus.Frame) (int, error)
}

// record is a frame as the finder keeps it.
type record struct {
	stamp int64
	data  uint64 // byte 1 is the least significant
	id    uint32
	face  uint8
	bytes uint8
	wide  bool // 29-bit identifier
}

const (
	// Before a reading the newest frame of each message counts, if it is not
	// older than this: messages that are sent every ten seconds take part.
	oldest = 12 * time.Second
	// earlier is how much longer than it should a reading may have taken.
	earlier = 500 * time.Millisecond
	// lead is how far a clock may be behind: frames up to so long after a
	// reading still count a little.
	lead = 300 * time.Millisecond
	// after is how long after a reading frames are kept: they show where the
	// value of a slow message went.
	after = 1200 * time.Millisecond
	// brokenLog is a step between neighbouring stamps across which nothing holds.
	brokenLog = time.Minute

	// The history is bursts of all traffic: without a gap at first, and thinned
	// as the log grows.
	burstLength   = 2500 * time.Millisecond
	mostRecords   = 600_000
	mostInBurst   = mostRecords / 8
	mostRecent    = 200_000 // in the ring of the last seconds, where stamps stand still
	readBatchSize = 4096
)

// burst is all frames of a short time.
type burst struct {
	start   int64
	records []record
}

// Collector keeps what a search needs of a stream of frames: all frames around
// the readings, and bursts of traffic for the shape of things. Its memory is
// bounded, whatever the length of the stream: about 30 MB.
//
// Live, add each reading as it is noted. For a log, where all readings are
// known beforehand, use Log.
type Collector struct {
	pending []Reading // not complete yet, in order of time
	windows []window  // complete
	known   bool      // no readings come beyond those pending
	late    time.Duration

	ring  []record // the last seconds
	head  int
	last  int64
	begun bool

	bursts   []burst
	records  int
	spacing  time.Duration
	nextFrom int64
	Frames   int // fed
	First    int64
}

// window is the frames around a reading.
type window struct {
	reading Reading
	records []record
}

// NewCollector returns a Collector for readings that will be added as they
// are noted.
func NewCollector() *Collector { return &Collector{spacing: burstLength, late: usualLate} }

// Read adds a reading. Its frames are those that were fed in the seconds before
// it and will be in the moment after.
func (c *Collector) Read(r Reading) {
	c.pending = append(c.pending, r)
	slices.SortStableFunc(c.pending, func(a, b Reading) int {
		switch {
		case a.Stamp < b.Stamp:
			return -1
		case a.Stamp > b.Stamp:
			return 1
		}
		return 0
	})
}

// Feed takes a frame. Frames without data, and what a reassembler takes
// (transport packets, address claims), are not searched.
func (c *Collector) Feed(f *canbus.Frame) {
	if f.Flags&(canbus.ErrorFrame|canbus.Remote|canbus.FD) != 0 || f.Len == 0 {
		return
	}
	wide := f.Flags&canbus.Extended != 0
	if wide && carrier(f.ID) {
		return
	}
	if !c.begun {
		c.begun, c.First, c.nextFrom = true, f.Stamp, f.Stamp
	} else if d := time.Duration(f.Stamp - c.last); d < -time.Second || d > brokenLog {
		c.settle(f.Stamp, true)
		c.ring, c.head = c.ring[:0], 0
		c.nextFrom = f.Stamp
	}
	c.last = f.Stamp
	c.Frames++
	if len(c.pending) > 0 && f.Stamp > c.pending[0].Stamp+int64(after) {
		c.settle(f.Stamp, false)
	}

	r := record{stamp: f.Stamp, data: binary.LittleEndian.Uint64(f.Data[:]), id: f.ID, face: f.Interface, bytes: min(f.Len, 8), wide: wide}
	if r.bytes < 8 {
		r.data &= 1<<(8*r.bytes) - 1
	}
	if !c.known || len(c.pending) > 0 && f.Stamp >= c.pending[0].Stamp-int64(oldest) {
		c.remember(r)
	}
	if f.Stamp >= c.nextFrom {
		c.burst(r)
	}
}

// remember keeps a record in the ring of the last seconds.
func (c *Collector) remember(r record) {
	for c.head < len(c.ring) && c.ring[c.head].stamp < r.stamp-int64(oldest+after) {
		c.head++
	}
	if c.head > 1024 && c.head > len(c.ring)/2 {
		c.ring = append(c.ring[:0], c.ring[c.head:]...)
		c.head = 0
	}
	if len(c.ring)-c.head >= mostRecent {
		c.head++
	}
	c.ring = append(c.ring, r)
}

func (c *Collector) burst(r record) {
	n := len(c.bursts)
	if n == 0 || r.stamp >= c.bursts[n-1].start+int64(c.spacing) || r.stamp < c.bursts[n-1].start {
		c.bursts = append(c.bursts, burst{start: r.stamp})
		n++
	}
	b := &c.bursts[n-1]
	if r.stamp >= b.start+int64(burstLength) {
		c.nextFrom = b.start + int64(c.spacing)
		return
	}
	if len(b.records) == mostInBurst {
		return
	}
	b.records = append(b.records, r)
	if c.records++; c.records > mostRecords {
		c.thin()
	}
}

// thin drops every other burst.
func (c *Collector) thin() {
	c.spacing *= 2
	kept := c.bursts[:0]
	c.records = 0
	for i := range c.bursts {
		if i%2 == 0 {
			kept = append(kept, c.bursts[i])
			c.records += len(c.bursts[i].records)
		}
	}
	clear(c.bursts[len(kept):])
	c.bursts = kept
}

// settle completes the readings whose time is over: all of them at a break.
func (c *Collector) settle(now int64, broken bool) {
	for len(c.pending) > 0 {
		r := c.pending[0]
		if now <= r.Stamp+int64(after) && !(broken && r.Stamp <= c.last) {
			return
		}
		c.pending = c.pending[1:]
		c.windows = append(c.windows, window{r, c.around(r.Stamp)})
	}
}

// around copies what counts for a reading: all frames from just before it, and
// of what is older the newest of each message and layout.
func (c *Collector) around(at int64) []record {
	type layout struct {
		id    uint32
		face  uint8
		first uint8
	}
	recent := at - int64(c.late+earlier)
	live := c.ring[c.head:]
	counts := func(r *record) bool { return r.stamp <= at+int64(after) && r.stamp >= at-int64(oldest) }
	newest := map[layout]int{}
	for i := range live {
		if r := &live[i]; counts(r) && r.stamp < recent {
			newest[layout{r.id, r.face, uint8(r.data)}] = i
		}
	}
	var out []record
	for i := range live {
		r := &live[i]
		if !counts(r) {
			continue
		}
		if n, ok := newest[layout{r.id, r.face, uint8(r.data)}]; r.stamp >= recent || ok && n == i {
			out = append(out, *r)
		}
	}
	return out
}

// Log searches a log.
func Log(log Source, q Query) (*Result, error) {
	q, err := q.prepare()
	if err != nil {
		return nil, err
	}
	c := NewCollector()
	c.known, c.late = true, q.Late
	c.pending = slices.Clone(q.Readings)
	if err := feedAll(log, c.Feed); err != nil {
		return nil, err
	}
	return c.Find(q)
}

func feedAll(log Source, feed func(*canbus.Frame)) error {
	frames := make([]canbus.Frame, readBatchSize)
	for {
		n, err := log.Read(frames)
		for i := range frames[:n] {
			feed(&frames[i])
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("find: read log: %w", err)
		}
	}
}
