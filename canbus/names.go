package canbus

// nameTable numbers the interface names of a source in the order in which
// they are first met.
type nameTable struct {
	list []string
	last uint8
}

// index is the number of a name; false if there are too many names.
func (t *nameTable) index(name []byte) (uint8, bool) {
	if int(t.last) < len(t.list) && t.list[t.last] == string(name) {
		return t.last, true
	}
	for i := range t.list {
		if t.list[i] == string(name) {
			t.last = uint8(i)
			return t.last, true
		}
	}
	if len(t.list) >= mostNames {
		return 0, false
	}
	t.list = append(t.list, string(name))
	t.last = uint8(len(t.list) - 1)
	return t.last, true
}

// indexOf is index for a name that is a string already.
func (t *nameTable) indexOf(name string) (uint8, bool) {
	if int(t.last) < len(t.list) && t.list[t.last] == name {
		return t.last, true
	}
	return t.index([]byte(name))
}
