package virtual

// faults are the active fault codes of the nodes (SAE J1939-73, DM1).
type faults struct {
	list  [8]fault
	n     int
	clear [2]bool // a node has just lost its last code: it says so once
}

type fault struct {
	source uint8
	spn    uint32
	fmi    uint8
	count  uint8
	lamp   string
}

// add makes the code of a trouble active. Numbers from 1486 on are those
// named for harvesters, and come from the machine control; lower ones are the
// engine's.
func (f *faults) add(r *running) {
	if f.n == len(f.list) {
		return
	}
	source := uint8(addrEngine)
	if r.SPN >= 1486 {
		source = addrMachine
	}
	f.list[f.n] = fault{source: source, spn: r.SPN, fmi: r.FMI, count: 1, lamp: r.Lamp}
	f.n++
}

func (f *faults) remove(r *running) {
	for i := range f.n {
		if f.list[i].spn == r.SPN && f.list[i].fmi == r.FMI {
			if f.list[i].source == addrMachine {
				f.clear[1] = true
			}
			copy(f.list[i:f.n], f.list[i+1:f.n])
			f.n--
			return
		}
	}
}

// fill writes the DM1 of a node: a frame for none or one code, a broadcast
// for more. The machine control, an ISO 11783 node, sends it only while a
// code is active, and once when it no longer is.
func (f *faults) fill(c *Combine, source uint8, d *[8]byte) bool {
	lamps := byte(0)
	var codes [8]fault
	n := 0
	for _, a := range f.list[:f.n] {
		if a.source != source {
			continue
		}
		codes[n] = a
		n++
		switch a.lamp {
		case "stop":
			lamps |= 1 << 4
		case "warning":
			lamps |= 1 << 2
		case "protect":
			lamps |= 1
		}
	}
	put := func(p []byte, a fault) {
		p[0], p[1] = byte(a.spn), byte(a.spn>>8)
		p[2] = byte(a.spn>>16)<<5 | a.fmi
		p[3] = a.count
	}
	d[0], d[1] = lamps, 0xFF
	switch n {
	case 0:
		if source == addrMachine && !f.clear[1] {
			return false
		}
		f.clear[1] = f.clear[1] && source != addrMachine
		d[2], d[3], d[4], d[5] = 0, 0, 0, 0
	case 1:
		put(d[2:], codes[0])
	default:
		data := make([]byte, 2+4*n)
		data[0], data[1] = lamps, 0xFF
		for i := range n {
			put(data[2+4*i:], codes[i])
		}
		c.broadcast(source, 0xFECA, data)
		return false
	}
	return true
}
