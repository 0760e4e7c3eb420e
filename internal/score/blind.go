package score

// blindness notes in which seconds an alarm said that it could not judge.
type blindness map[string][]bool

func (b blindness) note(kind string, second int) {
	for len(b[kind]) < second {
		b[kind] = append(b[kind], false)
	}
	b[kind] = append(b[kind], true)
}

// all tells whether a kind was blind from one second to another.
func (b blindness) all(kind string, from, to float64) bool {
	seconds := b[kind]
	for i := int(from) + 1; i <= int(to); i++ {
		if i >= len(seconds) || !seconds[i] {
			return false
		}
	}
	return int(to) > int(from)
}

// excuse takes the troubles that were not found out of the recall, and counts
// them as blind, where the alarm was blind all the while. To say so is a state
// of its own, and is shown; it is no miss, and no success.
func (c *Card) excuse(r *Result, b blindness) {
	found := make([]bool, len(r.Truth.Intervals))
	for i := range c.Judged {
		if j := &c.Judged[i]; j.Truth >= 0 {
			found[j.Truth] = true
		}
	}
	c.Blinded = make([]bool, len(found))
	for i := range r.Truth.Intervals {
		if v := &r.Truth.Intervals[i]; !found[i] && b.all(v.Kind, v.Began, v.Ended) {
			c.Blinded[i] = true
			c.of(v.Kind).Blind++
		}
	}
}
