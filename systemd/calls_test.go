package systemd

// usedCalls are the system calls that the program was seen to make under
// "chaffinch run" with a store, an uplink and a phone: on amd64 by strace, on
// arm64 and on 32-bit ARM (GOARM=6) by qemu's -strace (its "Unknown syscall 422"
// is futex_time64); and those for the bus and for children, which were read in the
// source. Not among them is adjtimex, which the unit refuses: without it the mark
// of systemd-timesyncd tells whether the clock is set. Go's runtime does without
// its prlimit64.
const usedCalls = `
accept4 arch_prctl bind brk clock_gettime clone close connect epoll_create1 epoll_ctl epoll_pwait eventfd2
execve exit_group fcntl fdatasync flock fstat fstat64 fstatat64 fsync ftruncate ftruncate64 futex futex_time64
getpid getrandom getsockname getsockopt gettid ioctl listen madvise mmap mmap2 munmap nanosleep newfstatat
open openat pipe2 prctl pread64 pwrite64 read readlinkat renameat restart_syscall rt_sigaction rt_sigprocmask
rt_sigreturn sched_getaffinity sched_yield setsockopt sigaltstack socket tgkill uname unlinkat write

recvmmsg recvfrom sendto ppoll ppoll_time64

dup3 kill pidfd_open pidfd_send_signal wait4 waitid getdents64 mkdirat`
