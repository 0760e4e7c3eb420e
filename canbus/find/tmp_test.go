package find
import ("testing")
func TestTmp(t *testing.T) {
	for _, n := range []int{6, 8} { for seed := range 200 {
		b := madeUp(uint64(seed+8001), n, true)
		r := b.find(t)
		if r.None < 0.3 { t.Log(b, b.readings, textOf(t, r)) }
	} }
}
