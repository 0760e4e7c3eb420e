package machine

// densityLevel is the crop per area, grain and MOG in t/ha, as the ratio of two
// slow means: feed, and speed times width.
type densityLevel struct {
	feed, cut float64
	seconds   int
	loose     bool
}

func (d *densityLevel) reset() { *d = densityLevel{} }

// add takes a second of feed in t/h and of area in ha/h.
func (d *densityLevel) add(feed, cut float64) {
	if cut <= 0 {
		return
	}
	share := max(slowShare, 1/float64(d.seconds+1))
	d.feed += share * (feed - d.feed)
	d.cut += share * (cut - d.cut)
	d.seconds++
}

func (d *densityLevel) known() bool { return d.seconds >= 60 && d.cut > 0.1 }

func (d *densityLevel) value() float64 {
	if !d.known() {
		return 0
	}
	return d.feed / d.cut
}

// levelSD is the share by which another field or another hour may differ.
func (d *densityLevel) levelSD() float64 {
	if d.loose {
		return 0.3
	}
	return 0.1
}

func (d *densityLevel) loosen() { d.seconds, d.loose = min(d.seconds, 60), true }
