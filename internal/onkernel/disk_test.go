package onkernel

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"
)

const sector = 512

// disk is a disk with a write cache that loses its content when the power goes.
// What was written is certain only once the computer has asked for it to be
// flushed; of the rest any sectors may be there, in any order. A sector is whole,
// old or new, as disks promise.
type disk struct {
	mu      sync.Mutex
	lasting []byte
	cached  map[int64][]byte // by the number of the sector
	random  *rand.Rand
	lies    bool          // says that it has flushed, and has not
	dark    chan struct{} // while the power is away; closed when it comes back
	flushed chan struct{} // tells of a flush that begins, if somebody waits for it
	flushes int
	lost    int // sectors, in all cuts
}

// newDisk is a disk with an empty ext4 file system.
func newDisk(t *testing.T, megabytes int, random *rand.Rand) *disk {
	t.Helper()
	path := filepath.Join(t.TempDir(), "disk")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, int64(megabytes)<<20); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command("mke2fs", "-q", "-t", "ext4", "-E", "lazy_itable_init=0", path).CombinedOutput(); err != nil {
		t.Fatalf("mke2fs: %v\n%s", err, said)
	}
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return &disk{lasting: content, cached: map[int64][]byte{}, random: random, flushed: make(chan struct{})}
}

// within tells whether a request lies on the disk, in whole sectors.
func (d *disk) within(offset uint64, length uint32) bool {
	return offset%sector == 0 && length%sector == 0 &&
		offset <= uint64(len(d.lasting)) && uint64(length) <= uint64(len(d.lasting))-offset
}

func (d *disk) read(b []byte, offset int64) {
	d.lock()
	defer d.mu.Unlock()
	for i := 0; i < len(b); i += sector {
		at := offset + int64(i)
		if s, ok := d.cached[at/sector]; ok {
			copy(b[i:], s)
		} else {
			copy(b[i:], d.lasting[at:at+sector])
		}
	}
}

func (d *disk) write(b []byte, offset int64) {
	d.lock()
	defer d.mu.Unlock()
	for i := 0; i < len(b); i += sector {
		d.cached[(offset+int64(i))/sector] = append([]byte(nil), b[i:i+sector]...)
	}
}

// flush takes as long as it does on a card: 6 to 28 ms on a good one (reported in
// mavlink-router PR #176), more on others.
func (d *disk) flush() {
	select {
	case d.flushed <- struct{}{}:
	default:
	}
	time.Sleep(time.Duration(5+rand.IntN(30)) * time.Millisecond)
	d.lock()
	defer d.mu.Unlock()
	d.flushes++
	if !d.lies {
		d.keep(1)
	}
}

// awaitFlush waits until a flush has begun and is not over.
func (d *disk) awaitFlush(most time.Duration) {
	select {
	case <-d.flushed:
	case <-time.After(most):
	}
}

// keep makes a share of the cached sectors last, chosen by chance, and forgets
// the others.
func (d *disk) keep(share float64) {
	for n, s := range d.cached {
		if share == 1 || d.random.Float64() < share {
			copy(d.lasting[n*sector:], s)
		} else {
			d.lost++
		}
	}
	clear(d.cached)
}

// lock locks the disk for a request. While the power is away none is answered,
// and none that was on its way is carried out later.
func (d *disk) lock() {
	d.mu.Lock()
	if dark := d.dark; dark != nil {
		d.mu.Unlock()
		<-dark
		runtime.Goexit()
	}
}

// cut takes the power from the disk, and then from the computer.
func (d *disk) cut(computer func()) {
	d.mu.Lock()
	d.keep([]float64{0, 0.1, 0.5, 0.9}[d.random.IntN(4)])
	dark := make(chan struct{})
	d.dark = dark
	d.mu.Unlock()
	computer()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dark = nil
	close(dark)
}
