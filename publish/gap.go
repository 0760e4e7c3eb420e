package publish

import "strconv"

// AppendGap appends the payload that stands in the topic event for messages
// that had to be dropped while the broker was away: how many, and the first and
// last of them by their place in the machine's own store ("boot-sequence").
// What they told is still in that store.
func AppendGap(dst []byte, dropped uint64, first, last string) []byte {
	dst = append(dst, `{"v":`...)
	dst = strconv.AppendInt(dst, Version, 10)
	dst = append(dst, `,"id":`...)
	dst = appendString(dst, "g"+first)
	dst = append(dst, `,"phase":"gap","dropped":`...)
	dst = strconv.AppendUint(dst, dropped, 10)
	dst = append(dst, `,"first":`...)
	dst = appendString(dst, first)
	dst = append(dst, `,"last":`...)
	dst = appendString(dst, last)
	return append(dst, '}')
}
