package store

const (
	// MaxPools is how many pools are kept. They do not grow old: a machine may
	// have told its pool once, years ago.
	MaxPools = 64
	// MaxMemories is how many memories are kept.
	MaxMemories = 8
)

// onlyNewest deletes the records that r takes the place of: the one before it
// under its id, and the oldest when there are too many.
func (e *edit) onlyNewest(r *Record) error {
	most := MaxPools
	if r.Kind == Memory {
		most = MaxMemories
	}
	var replaced, others [][]byte
	c := e.bucket(int(r.Kind)).Cursor()
	for key, value := c.First(); key != nil; key, value = c.Next() {
		k, ok := parseKey(key)
		if ok && k == r.Key {
			continue
		}
		key = append([]byte(nil), key...)
		if old, err := decodeRecord(key, value); err != nil || old.ID == r.ID {
			replaced = append(replaced, key) // also one that cannot be read
			continue
		}
		others = append(others, key)
	}
	if n := len(others) + 1 - most; n > 0 {
		replaced = append(replaced, others[:n]...)
	}
	return e.deleteAll(int(r.Kind), replaced)
}
