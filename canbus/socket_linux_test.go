package canbus

import (
	"bytes"
	"encoding/binary"
	"errors"
	"os"
	"strings"
	"testing"
	"time"
	"unsafe"

	"chaffinch/internal/problem"

	"golang.org/x/sys/unix"
)

func canFrame(id uint32, length byte, raw byte, data ...byte) []byte {
	b := binary.NativeEndian.AppendUint32(nil, id)
	b = append(b, length, 0, 0, raw)
	b = append(b, data...)
	return append(b, make([]byte, 16-len(b))...)
}

// cmsg is a control message in the layout of cmsg(3).
func cmsg(kind uint32, payload []byte) []byte {
	var b []byte
	const word = int(unsafe.Sizeof(uintptr(0)))
	size := word + 8 + len(payload)
	if word == 8 {
		b = binary.NativeEndian.AppendUint64(b, uint64(size))
	} else {
		b = binary.NativeEndian.AppendUint32(b, uint32(size))
	}
	b = binary.NativeEndian.AppendUint32(b, unix.SOL_SOCKET)
	b = binary.NativeEndian.AppendUint32(b, kind)
	b = append(b, payload...)
	for len(b)%word != 0 {
		b = append(b, 0)
	}
	return b
}

func u32(v uint32) []byte { return binary.NativeEndian.AppendUint32(nil, v) }
func u64(v uint64) []byte { return binary.NativeEndian.AppendUint64(nil, v) }

// The layouts are those of linux/can.h.
func TestParseMessage(t *testing.T) {
	tests := []struct {
		name  string
		data  []byte
		flags int
		want  Frame
		ok    bool
	}{
		{"29-bit", canFrame(0x8CF00400, 8, 0, 0x20, 0x7D, 0x87, 0x48, 0x14, 0, 0xF0, 0x87), 0,
			Frame{ID: 0xCF00400, Flags: Extended, Len: 8, Data: [8]byte{0x20, 0x7D, 0x87, 0x48, 0x14, 0, 0xF0, 0x87}}, true},
		{"bytes behind the length are not data", canFrame(0x98EAFF25, 3, 0, 0xE6, 0xFE, 0, 1, 2, 3), 0,
			Frame{ID: 0x18EAFF25, Flags: Extended, Len: 3, Data: [8]byte{0xE6, 0xFE}}, true},
		{"11-bit", canFrame(0x123, 2, 0, 1, 2), 0, Frame{ID: 0x123, Len: 2, Data: [8]byte{1, 2}}, true},
		{"remote", canFrame(0xD8FEF100, 7, 0), 0, Frame{ID: 0x18FEF100, Flags: Extended | Remote, Code: 7}, true},
		{"raw code", canFrame(0x123, 8, 0xC), 0, Frame{ID: 0x123, Len: 8, Code: 0xC}, true},
		{"error", canFrame(0x20000004, 8, 0, 0, 1), 0, Frame{ID: ErrController, Flags: ErrorFrame, Len: 8, Data: [8]byte{0, 1}}, true},
		{"FD", append(canFrame(0x8CF00400, 12, 0), make([]byte, 56)...), 0, Frame{ID: 0xCF00400, Flags: Extended | FD}, true},
		{"length above 8", canFrame(0x123, 9, 0), 0, Frame{}, false},
		{"cut", canFrame(0x123, 2, 0)[:15], 0, Frame{}, false},
		{"too large for its room", canFrame(0x123, 2, 0), unix.MSG_TRUNC, Frame{}, false},
		{"empty", nil, 0, Frame{}, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got := Frame{Data: [8]byte{9, 9, 9, 9, 9, 9, 9, 9}, Code: 9}
			_, ok := parseMessage(test.data, nil, test.flags, &got)
			if ok != test.ok {
				t.Fatalf("ok is %v", ok)
			}
			if ok && got != test.want {
				t.Errorf("\n got %+v\nwant %+v", got, test.want)
			}
		})
	}
}

func TestParseMessageControl(t *testing.T) {
	stamp := cmsg(unix.SO_TIMESTAMPNS_NEW, append(u64(1700000000), u64(123456789)...))
	tests := []struct {
		name    string
		control []byte
		flags   int
		want    message
	}{
		{"none", nil, 0, message{}},
		{"time stamp", stamp, 0, message{kernel: 1700000000_123456789}},
		{"old time stamp of 32 bits", cmsg(unix.SO_TIMESTAMPNS, append(u32(1700000000), u32(5)...)), 0, message{kernel: 1700000000_000000005}},
		{"drops", cmsg(unix.SO_RXQ_OVFL, u32(7)), 0, message{drops: 7, counted: true}},
		{"both", append(bytes.Clone(stamp), cmsg(unix.SO_RXQ_OVFL, u32(7))...), 0,
			message{kernel: 1700000000_123456789, drops: 7, counted: true}},
		{"both, the other way round", append(cmsg(unix.SO_RXQ_OVFL, u32(7)), stamp...), 0,
			message{kernel: 1700000000_123456789, drops: 7, counted: true}},
		{"sent by this computer", nil, unix.MSG_DONTROUTE, message{local: true}},
		{"another kind", cmsg(99, u32(7)), 0, message{}},
		{"length zero", make([]byte, 64), 0, message{}},
		{"length beyond the end", stamp[:len(stamp)-1], 0, message{}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			var f Frame
			if got, _ := parseMessage(canFrame(1, 0, 0), test.control, test.flags, &f); got != test.want {
				t.Errorf("got %+v, want %+v", got, test.want)
			}
		})
	}
}

func FuzzParseMessage(f *testing.F) {
	f.Add(canFrame(0x8CF00400, 8, 0), append(cmsg(unix.SO_TIMESTAMPNS_NEW, append(u64(1), u64(2)...)), cmsg(unix.SO_RXQ_OVFL, u32(7))...), 0)
	f.Fuzz(func(t *testing.T, data, control []byte, flags int) {
		var frame Frame
		if _, ok := parseMessage(data, control, flags, &frame); ok {
			checkFrame(t, &frame)
		}
	})
}

func TestStampIsMonotonic(t *testing.T) {
	at := moment{mono: 50e9, wall: 1700000000e9}
	tests := []struct {
		name   string
		kernel int64
		want   int64
		late   bool
	}{
		{"it waited 3 ms", 1700000000e9 - 3e6, 50e9 - 3e6, false},
		{"it waited a second", 1700000000e9 - 1e9, 49e9, false},
		{"longer is not believed", 1700000000e9 - 1e9 - 1, 50e9, true},
		{"the wall clock went back", 1700000000e9 + 1, 50e9, true},
		{"the wall clock went forward by years", 5e9, 50e9, true},
		{"no stamp", 0, 50e9, true},
	}
	for _, test := range tests {
		if got, late := at.stamp(test.kernel); got != test.want || late != test.late {
			t.Errorf("%s: %d %v, want %d %v", test.name, got, late, test.want, test.late)
		}
	}
}

// datagrams gives a receiving socket with the options of the live reader and
// what sends to it. The kernel makes the control messages of a raw CAN socket
// with the same code as those of a UDP socket (net/socket.c, sock_recv_cmsgs),
// so this tests the receiver against the real kernel, where there is no CAN.
func datagrams(t *testing.T) (receiving int, send func([]byte)) {
	t.Helper()
	in, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(in) })
	if err := unix.Bind(in, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	for _, option := range []int{unix.SO_TIMESTAMPNS_NEW, unix.SO_RXQ_OVFL} {
		if err := unix.SetsockoptInt(in, unix.SOL_SOCKET, option, 1); err != nil {
			t.Fatal(err)
		}
	}
	address, err := unix.Getsockname(in)
	if err != nil {
		t.Fatal(err)
	}
	out, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(out) })
	return in, func(b []byte) {
		if err := unix.Sendto(out, b, 0, address); err != nil {
			t.Fatal(err)
		}
	}
}

func testSocket(fd int) *Socket {
	return &Socket{options: SocketOptions{Index: 3}, fd: fd, receiver: newReceiver(), health: Health{State: Up}}
}

func TestReceiveABatch(t *testing.T) {
	fd, send := datagrams(t)
	s := testSocket(fd)
	before := LiveClock()
	for i := range 100 {
		send(canFrame(0x98FF0000+uint32(i), 8, 0, byte(i)))
	}
	send([]byte("no frame"))
	send(canFrame(0x20000004, 8, 0, 0, CtrlRxOverflow))
	dst := make([]Frame, 80)
	var got []Frame
	for _, want := range []int{64, 37, 0} {
		n, err := s.take(dst)
		if n != want || err != nil {
			t.Fatalf("%d frames, %v; want %d", n, err, want)
		}
		got = append(got, dst[:n]...)
	}
	after := LiveClock()
	for i, f := range got {
		if f.Stamp < before || f.Stamp > after || i > 0 && f.Stamp < got[i-1].Stamp {
			t.Fatalf("frame %d: stamp %d, not in %d..%d in order", i, f.Stamp, before, after)
		}
		if f.Interface != 3 || i < 100 && f.ID != 0x18FF0000+uint32(i) {
			t.Fatalf("frame %d: %+v", i, f)
		}
	}
	h := s.Health()
	if h.Frames != 100 || h.Malformed != 1 || h.Errors.RxOverflow != 1 || h.Errors.Frames != 1 || h.Late != 0 || h.Dropped != 0 {
		t.Errorf("%+v", h)
	}
}

// The kernel turns its time stamps on a little after it was asked; a frame
// that came before that is stamped when it is read (net/socket.c,
// __sock_recv_timestamp). So the first ones may say nothing.
func TestKernelStampIsNotTheTimeOfReading(t *testing.T) {
	fd, send := datagrams(t)
	s := testSocket(fd)
	var waited time.Duration
	for range 20 {
		send(canFrame(1, 0, 0))
		time.Sleep(60 * time.Millisecond)
		var dst [1]Frame
		if n, err := s.take(dst[:]); n != 1 || err != nil {
			t.Fatal(n, err)
		}
		waited = time.Duration(LiveClock() - dst[0].Stamp)
		if waited > 55*time.Millisecond && waited < 900*time.Millisecond {
			return
		}
	}
	t.Errorf("each frame waited 60 ms, the last stamp says %v", waited)
}

func TestDroppedFramesAreCounted(t *testing.T) {
	fd, send := datagrams(t)
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, 4096); err != nil {
		t.Fatal(err)
	}
	s := testSocket(fd)
	const sent = 500
	for range sent {
		send(canFrame(1, 0, 0))
	}
	dst := make([]Frame, 64)
	n, err := s.take(dst)
	if err != nil || n == 0 || n == sent {
		t.Fatalf("%d frames, %v", n, err)
	}
	// The count comes with the next message that finds room.
	send(canFrame(2, 0, 0))
	more, err := s.take(dst)
	if err != nil {
		t.Fatal(err)
	}
	if h := s.Health(); int(h.Dropped)+n+more != sent+1 {
		t.Errorf("%d + %d read, %d dropped, %d sent", n, more, h.Dropped, sent+1)
	}
}

func TestTakeAllocatesNothing(t *testing.T) {
	fd, send := datagrams(t)
	s := testSocket(fd)
	frame := canFrame(0x98FF0000, 8, 0)
	for range 60 {
		send(frame)
	}
	dst := make([]Frame, 1)
	if n := testing.AllocsPerRun(50, func() {
		if n, err := s.take(dst); n != 1 || err != nil {
			t.Fatal(n, err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

// readable is a Socket whose Read can be called. It has a descriptor of its own.
func readable(t *testing.T, fd int) *Socket {
	t.Helper()
	own, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	s := testSocket(own)
	s.stopped = make(chan struct{})
	s.lookAt = 1 << 62
	if err := unix.Pipe2(s.wake[:], unix.O_CLOEXEC|unix.O_NONBLOCK); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// A busy bus does not wake the reader for each frame.
func TestFramesOfABusyBusComeInBunches(t *testing.T) {
	fd, send := datagrams(t)
	s := readable(t, fd)
	const sent = 300
	go func() {
		for range sent {
			send(canFrame(0x98FF0000, 8, 0))
			time.Sleep(500 * time.Microsecond)
		}
	}()
	dst := make([]Frame, 256)
	began := time.Now()
	got, reads := 0, 0
	for ; got < sent; reads++ {
		n, err := s.Read(dst, time.Second)
		if n == 0 || err != nil {
			t.Fatalf("%d frames, %v, after %d of %d", n, err, got, sent)
		}
		got += n
	}
	if most := int(time.Since(began)/Gather) + 1; reads > most {
		t.Errorf("%d reads in %v, at most one in %v is meant", reads, time.Since(began), Gather)
	}
}

// The first frame after a silence is given at once, and of frames that are there
// already more than one system call brings. (The machine may be busy: one of a
// few times is enough.)
func TestFramesDoNotWaitInVain(t *testing.T) {
	fd, send := datagrams(t)
	s := readable(t, fd)
	dst := make([]Frame, 256)
	var took time.Duration
	for range 10 {
		time.Sleep(2 * Gather)
		began := time.Now()
		for range 2*batchSize + 1 {
			send(canFrame(0x98FF0000, 8, 0))
		}
		for _, want := range []int{batchSize, batchSize, 1} {
			if n, err := s.Read(dst, time.Second); n != want || err != nil {
				t.Fatalf("%d frames, %v; want %d", n, err, want)
			}
		}
		if took = time.Since(began); took < Gather {
			return
		}
	}
	t.Errorf("it took %v", took)
}

func TestCloseEndsARead(t *testing.T) {
	fd, _ := datagrams(t)
	s := readable(t, fd)
	var dst [1]Frame
	start := time.Now()
	if n, err := s.Read(dst[:], 30*time.Millisecond); n != 0 || err != nil || time.Since(start) < 25*time.Millisecond {
		t.Fatalf("a quiet bus: %d, %v after %v", n, err, time.Since(start))
	}
	time.AfterFunc(30*time.Millisecond, func() { s.Close() })
	start = time.Now()
	if _, err := s.Read(dst[:], time.Minute); !errors.Is(err, os.ErrClosed) {
		t.Fatalf("%v", err)
	}
	if time.Since(start) > 5*time.Second {
		t.Error("Close did not end the Read")
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// An interface that is not there is looked for with growing waits.
func TestAbsentInterfaceIsLookedFor(t *testing.T) {
	s := testSocket(-1)
	var waits []time.Duration
	for range 6 {
		at := LiveClock()
		if s.retry == 0 {
			s.retry = retryFirst
		}
		s.lose(Absent, unix.ENODEV)
		waits = append(waits, time.Duration(s.retryAt-at).Round(100*time.Millisecond))
	}
	want := "[200ms 400ms 800ms 1.6s 2s 2s]"
	if sprint(waits) != want || s.Health().State != Absent || s.Health().LastError != "no such device" {
		t.Errorf("%v, want %s; %+v", waits, want, s.Health())
	}
}

// Where the kernel has no CAN, OpenSocket must say what to do. Where it has,
// an absent interface must be waited for.
func TestOpenSocket(t *testing.T) {
	s, err := OpenSocket(SocketOptions{Interface: "nosuchcan9"})
	var p *problem.Problem
	if errors.As(err, &p) {
		if !strings.Contains(p.Try, "modules") || s != nil {
			t.Errorf("%v", err)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var dst [1]Frame
	if n, err := s.Read(dst[:], 300*time.Millisecond); n != 0 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
	if h := s.Health(); h.State != Absent || h.LastError == "" {
		t.Errorf("%+v", h)
	}
}

func TestOpenSocketRefusesNames(t *testing.T) {
	for _, name := range []string{"", "a-name-that-is-too-long"} {
		var p *problem.Problem
		if _, err := OpenSocket(SocketOptions{Interface: name}); !errors.As(err, &p) {
			t.Errorf("%q: %v", name, err)
		}
	}
}
