package canbus

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"testing"

	"golang.org/x/sys/unix"
)

func attribute(kind uint16, value []byte) []byte {
	b := binary.NativeEndian.AppendUint16(nil, uint16(4+len(value)))
	b = binary.NativeEndian.AppendUint16(b, kind)
	b = append(b, value...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return b
}

func newLink(hardware uint16, attributes ...[]byte) []byte {
	body := binary.NativeEndian.AppendUint16([]byte{0, 0}, hardware)
	body = append(body, make([]byte, 12)...)
	for _, a := range attributes {
		body = append(body, a...)
	}
	b := u32(uint32(16 + len(body)))
	b = binary.NativeEndian.AppendUint16(b, unix.RTM_NEWLINK)
	b = append(b, make([]byte, 10)...)
	return append(b, body...)
}

// The attributes are those of linux/can/netlink.h.
func TestParseLink(t *testing.T) {
	name := attribute(unix.IFLA_IFNAME, []byte("can0\x00"))
	can := func(flags uint32) []byte {
		timing := append(u32(250000), make([]byte, 28)...)
		data := append(attribute(unix.IFLA_CAN_BITTIMING, timing), attribute(unix.IFLA_CAN_STATE, u32(0))...)
		data = append(data, attribute(unix.IFLA_CAN_CTRLMODE, append(u32(0xFFFF), u32(flags)...))...)
		return attribute(unix.IFLA_LINKINFO, append(attribute(unix.IFLA_INFO_KIND, []byte("can\x00")),
			attribute(unix.IFLA_INFO_DATA, data)...))
	}
	kind := func(name string) []byte {
		return attribute(unix.IFLA_LINKINFO, attribute(unix.IFLA_INFO_KIND, []byte(name)))
	}
	tests := []struct {
		name    string
		answer  []byte
		mode    LinkMode
		bitrate uint32
	}{
		{"listen-only", newLink(unix.ARPHRD_CAN, name, can(unix.CAN_CTRLMODE_LISTENONLY)), ListenOnly, 250000},
		{"listen-only with error reports", newLink(unix.ARPHRD_CAN, can(unix.CAN_CTRLMODE_LISTENONLY|unix.CAN_CTRLMODE_BERR_REPORTING)), ListenOnly, 250000},
		{"normal", newLink(unix.ARPHRD_CAN, name, can(0)), Normal, 250000},
		{"loop-back is not listen-only", newLink(unix.ARPHRD_CAN, name, can(unix.CAN_CTRLMODE_LOOPBACK)), Normal, 250000},
		{"vcan", newLink(unix.ARPHRD_CAN, name, kind("vcan\x00")), Virtual, 0},
		{"vxcan", newLink(unix.ARPHRD_CAN, name, kind("vxcan")), Virtual, 0},
		{"a driver that does not say", newLink(unix.ARPHRD_CAN, name), ModeUnknown, 0},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			l, err := parseLink(test.answer)
			if err != nil || l.mode() != test.mode || l.bitrate != test.bitrate || l.hardware != unix.ARPHRD_CAN {
				t.Errorf("%+v is %v, %v; want %v", l, l.mode(), err, test.mode)
			}
			for n := range test.answer { // cut answers must do no harm
				if l, err := parseLink(test.answer[:n]); err == nil {
					t.Errorf("%d of %d bytes were read as %+v", n, len(test.answer), l)
				}
			}
		})
	}
	if _, err := parseLink(append(append(u32(20), 2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0), u32(^uint32(18))...)); !errors.Is(err, unix.ENODEV) {
		t.Errorf("error answer: %v", err)
	}
}

// The kernel's own answer about the loop-back interface, index 1.
func TestAskLinkOfTheKernel(t *testing.T) {
	l, err := askLink(1)
	if err != nil {
		t.Fatal(err)
	}
	if l.hardware != unix.ARPHRD_LOOPBACK || l.hasMode || l.mode() != ModeUnknown {
		t.Errorf("%+v", l)
	}
	if _, err := askLink(1 << 30); !errors.Is(err, unix.ENODEV) {
		t.Errorf("an index that does not exist: %v", err)
	}
}

func FuzzParseLink(f *testing.F) {
	f.Add(newLink(unix.ARPHRD_CAN, attribute(unix.IFLA_LINKINFO, attribute(unix.IFLA_INFO_KIND, []byte("vcan\x00")))))
	f.Fuzz(func(t *testing.T, b []byte) {
		if _, err := parseLink(b); err == nil && len(b) < 32 {
			t.Fatalf("%s was read", hex.EncodeToString(b))
		}
	})
}

func TestRefuse(t *testing.T) {
	tests := []struct {
		mode    LinkMode
		allow   bool
		refused bool
	}{
		{ListenOnly, false, false}, {Virtual, false, false}, {Normal, false, true}, {ModeUnknown, false, true},
		{Normal, true, false}, {ModeUnknown, true, false},
	}
	for _, test := range tests {
		err := refuse(SocketOptions{Interface: "can0", AllowNormalMode: test.allow}, test.mode, nil)
		if (err != nil) != test.refused {
			t.Errorf("%v, allowed %v: %v", test.mode, test.allow, err)
		}
	}
}
