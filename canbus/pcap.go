package canbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// linkSocketCAN is the link type of SocketCAN in captures: the identifier with
// its flag bits in network order, the length, flags, two bytes that are
// reserved, and the data (tcpdump.org, LINKTYPE_CAN_SOCKETCAN).
const linkSocketCAN layers.LinkType = 227

// pcapSource reads the packets of a capture file.
type pcapSource struct {
	next func() ([]byte, gopacket.CaptureInfo, error)
	// nameOf is the name of a packet's interface and its link type.
	nameOf func(gopacket.CaptureInfo) (string, layers.LinkType)
	err    error
}

// The first bytes of pcap, in both byte orders and with micro- and
// nanoseconds, and of pcapng.
func isPcap(head []byte) bool {
	if len(head) < 4 {
		return false
	}
	switch binary.LittleEndian.Uint32(head) {
	case 0xA1B2C3D4, 0xD4C3B2A1, 0xA1B23C4D, 0x4D3CB2A1:
		return true
	}
	return false
}

func isPcapNG(head []byte) bool {
	return len(head) >= 4 && binary.LittleEndian.Uint32(head) == 0x0A0D0D0A
}

func openPcap(r io.Reader) (source, error) {
	file, err := pcapgo.NewReader(r)
	if err != nil {
		return nil, fmt.Errorf("pcap: %w", err)
	}
	link := file.LinkType()
	return &pcapSource{
		next: file.ZeroCopyReadPacketData,
		nameOf: func(gopacket.CaptureInfo) (string, layers.LinkType) {
			return "can0", link // the format has no names
		},
	}, nil
}

func openPcapNG(r io.Reader) (source, error) {
	file, err := pcapgo.NewNgReader(r, pcapgo.NgReaderOptions{WantMixedLinkType: true, SkipUnknownVersion: true})
	if err != nil {
		return nil, fmt.Errorf("pcapng: %w", err)
	}
	return &pcapSource{
		next: file.ZeroCopyReadPacketData,
		nameOf: func(ci gopacket.CaptureInfo) (string, layers.LinkType) {
			in, err := file.Interface(ci.InterfaceIndex)
			if err != nil {
				return "", 0
			}
			if in.Name == "" {
				return fmt.Sprintf("can%d", ci.InterfaceIndex), in.LinkType
			}
			return in.Name, in.LinkType
		},
	}, nil
}

func (p *pcapSource) read(dst []Frame, r *record) (n int, err error) {
	// What a crafted file does inside the library must not end the program.
	defer func() {
		if cause := recover(); cause != nil {
			p.err = fmt.Errorf("capture: %v", cause)
			n, err = 0, p.err
		}
	}()
	for n < len(dst) && p.err == nil {
		data, info, err := p.next()
		if err != nil {
			p.err = err
			break
		}
		r.line++
		r.stats.Lines++
		name, link := p.nameOf(info)
		if link != linkSocketCAN {
			r.stats.Skipped++
			continue
		}
		f := &dst[n]
		if bad := parseSocketCAN(data, f); bad != fine {
			r.bad(bad, nil)
			continue
		}
		if s := info.Timestamp.Unix(); s < 0 || s > latest {
			r.bad(faultTime, nil)
			continue
		}
		f.Stamp = info.Timestamp.UnixNano()
		index, ok := r.names.indexOf(name)
		if !ok {
			r.bad(faultNames, nil)
			continue
		}
		f.Interface = index
		n++
	}
	if n > 0 {
		return n, nil
	}
	if errors.Is(p.err, io.EOF) && p.err != io.EOF {
		return 0, fmt.Errorf("capture: %v", p.err) // cut off inside a packet
	}
	return 0, p.err
}

// parseSocketCAN reads the packet of one frame and clears what it does not set.
func parseSocketCAN(b []byte, f *Frame) fault {
	const (
		header = 8
		eff    = 0x80000000
		rtr    = 0x40000000
		fdf    = 0x04 // in the byte of flags
	)
	if len(b) < header {
		return faultPacket
	}
	raw := binary.BigEndian.Uint32(b)
	length := int(b[4])
	*f = Frame{}
	switch {
	case raw&errBit != 0:
		f.ID, f.Flags = raw&idBits, ErrorFrame
	case raw&eff != 0:
		f.ID, f.Flags = raw&idBits, Extended
	default:
		f.ID = raw & stdBits
	}
	if b[5]&fdf != 0 || length > 8 {
		if length > 64 || len(b) < header+length {
			return faultPacket
		}
		f.Flags |= FD
		return fine
	}
	if raw&rtr != 0 && raw&errBit == 0 {
		f.Flags |= Remote
		f.Code = uint8(length)
		return fine
	}
	if len(b) < header+length {
		return faultPacket
	}
	if length == 8 && b[7] > 8 && b[7] <= 15 { // raw length code of SocketCAN
		f.Code = b[7]
	}
	f.Len = uint8(length)
	copy(f.Data[:], b[header:header+length])
	return fine
}
