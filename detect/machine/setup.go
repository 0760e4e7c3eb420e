package machine

// SetUp takes what was set anew of the machine or its crop, between two steps.
// The feed estimate begins to learn anew; what the machine does goes on.
func (m *Machine) SetUp(own Settings, crop Crop) {
	m.feed = newFeedEstimate(own, crop)
	m.working.split.least = splitLeastShare * m.feed.ratedKW
}
