// Package onkernel holds only tests: the program on a real Linux kernel, with
// the kernel's own SocketCAN, its drivers, a disk and a clock, in QEMU. It says
// what no test in a process can say: that what was heard live is what a replay
// finds, that nothing is sent, what happens when interfaces go and come, and
// what a power cut leaves.
//
// The kernels are Debian's, for amd64 and arm64, and so are all programs in the
// guest but ours. They are downloaded once (with the system's own apt-get, into
// a folder of the cache, without touching the system) and put together to a
// start image; CHAFFINCH_KERNELS names another folder. QEMU needs no rights
// and no hardware support.
//
// What is emulated is said where it matters: two controllers of the type SJA1000 on one
// bus pass frames to each other at once and whole. They know no bits, so that
// no acknowledgement, no bit rate and no error on the wire can be seen here.
//
// Start with guest_test.go.
package onkernel
