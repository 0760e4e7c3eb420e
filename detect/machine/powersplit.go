package machine

// powerSplit tells crop from empty running by the engine's power alone: two
// means follow the two clusters that work shows, empty and cutting, in kW with
// propulsion taken off. Sharp turns, which nobody cuts, show the empty one for
// sure.
type powerSplit struct {
	empty, crop   float64
	emptyN, cropN int // steps
	apart         bool
	least         float64 // kW between the clusters to count as two
}

const (
	splitLeastShare = 0.12 // of rated power
	splitEmpty      = 0.02 // a step, towards empty: 5 s
	splitWiden      = 0.05 // a step, to a power under it
	splitCrop       = 0.001
	splitLimit      = 0.38 // of the way from empty to crop
	splitBack       = 0.30 // the same to fall out of crop
)

// step takes the power of a step with threshing engaged.
func (p *powerSplit) step(kW float64, sharp bool) {
	if p.cropN == 0 && p.emptyN == 0 {
		p.empty, p.crop = kW, kW
	}
	switch {
	case sharp:
		p.emptyN++
		p.empty += splitEmpty * (kW - p.empty)
	case kW < p.empty:
		p.emptyN++
		p.empty += splitWiden * (kW - p.empty)
	case kW > p.crop:
		p.cropN++
		p.crop += max(splitCrop, 1/float64(p.cropN)) * (kW - p.crop)
		p.crop += splitEmpty * max(0, kW-p.crop-p.least)
	case kW-p.empty < p.crop-kW:
		p.emptyN++
		p.empty += 0.1 * splitEmpty * (kW - p.empty)
	default:
		p.cropN++
		p.crop += splitCrop * (kW - p.crop)
	}
	p.apart = p.crop-p.empty >= p.least
}

// inCrop tells whether a power is that of cutting.
func (p *powerSplit) inCrop(kW float64, before Tri) Tri {
	if !p.apart {
		return NotKnown
	}
	share := splitLimit
	if before == Yes {
		share = splitBack
	}
	return tri(kW > p.empty+share*(p.crop-p.empty))
}
