package canbus

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// batchSize is how many frames one system call may bring.
const batchSize = 64

// receiver holds the memory into which the kernel writes a batch of messages.
type receiver struct {
	headers  [batchSize]unix.Mmsghdr
	vectors  [batchSize]unix.Iovec
	data     [batchSize][72]byte // canfd_frame; a classic frame takes 16
	controls [batchSize][128]byte
}

func newReceiver() *receiver {
	r := &receiver{}
	for i := range r.headers {
		r.vectors[i].Base = &r.data[i][0]
		r.vectors[i].SetLen(len(r.data[i]))
		h := &r.headers[i].Hdr
		h.Iov = &r.vectors[i]
		h.SetIovlen(1)
		h.Control = &r.controls[i][0]
	}
	return r
}

// receive takes up to n messages that have come, without waiting for more
// (recvmmsg(2)). unix.EAGAIN: there are none.
func (r *receiver) receive(fd, n int) (int, error) {
	n = min(n, batchSize)
	for i := range n {
		h := &r.headers[i].Hdr
		h.SetControllen(len(r.controls[i]))
		h.Flags = 0
	}
	got, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, uintptr(fd),
		uintptr(unsafe.Pointer(&r.headers[0])), uintptr(n), unix.MSG_DONTWAIT, 0, 0)
	if errno != 0 {
		return 0, errno
	}
	return int(got), nil
}

// parse reads the i-th message of the last batch into f.
func (r *receiver) parse(i int, f *Frame) (message, bool) {
	h := &r.headers[i]
	data := r.data[i][:min(int(h.Len), len(r.data[i]))]
	control := r.controls[i][:min(int(h.Hdr.Controllen), len(r.controls[i]))]
	return parseMessage(data, control, int(h.Hdr.Flags), f)
}
