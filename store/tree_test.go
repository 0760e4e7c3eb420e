package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// trusted are the offsets of what bbolt goes by and no checksum guards: the heads
// of pages and of their elements, the numbers of free pages, and the same of
// buckets that stand inside a page.
func trusted(b []byte) (offsets []int) {
	add := func(from, n int) {
		for i := range n {
			offsets = append(offsets, from+i)
		}
	}
	for at := 0; at < usedPages(b)*pageSize; at += pageSize {
		add(at, pageHeader+4*elementSize)
	}
	for _, name := range bucketNames {
		for _, at := range behind(b, name) {
			add(at, min(bucketHeader+pageHeader+elementSize, len(b)-at))
		}
	}
	return offsets
}

// behind is where a name ends, each time that it stands in the file.
func behind(b []byte, name string) (offsets []int) {
	for at := 0; ; {
		i := bytes.Index(b[at:], []byte(name))
		if i < 0 {
			return offsets
		}
		at += i + len(name)
		offsets = append(offsets, at)
	}
}

// A child that looks at a damaged file comes to an end at once, and does not take
// the memory of the board.
func TestNoByteThatBboltTrustsLeadsTheCheckAstray(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	file, _ := damageBase(t, true)
	at := trusted(file)
	type slip struct {
		offset int
		xor    byte
	}
	var slips []slip
	for range rounds(t, 2000) {
		slips = append(slips, slip{at[rng.IntN(len(at))], byte(1 + rng.IntN(255))})
	}
	// A bucket inside a page that calls itself a branch: if it holds nothing, its
	// first child is itself.
	for _, name := range bucketNames {
		for _, at := range behind(file, name) {
			slips = append(slips, slip{at + bucketHeader + 8, leafFlag ^ branchFlag})
		}
	}
	// The head of a page that claims to go on for more than the file.
	for page := 2; page < usedPages(file); page++ {
		slips = append(slips, slip{page*pageSize + pageHeader - 1, 0x80})
	}
	var longest time.Duration
	var most int64
	for _, s := range slips {
		b := bytes.Clone(file)
		b[s.offset] ^= s.xor
		took, kilobytes := checkChild(t, fmt.Sprintf("byte %d (%d of page %d) by %#x", s.offset, s.offset%pageSize, s.offset/pageSize, s.xor), b)
		longest, most = max(longest, took), max(most, kilobytes)
	}
	t.Logf("%d slips, longest %v, at most %d MB", len(slips), longest.Round(time.Millisecond), most>>10)
}

func checkChild(t *testing.T, what string, file []byte) (took time.Duration, kilobytes int64) {
	t.Helper()
	path := filepath.Join(newFolder(t), "store.db")
	defer os.RemoveAll(filepath.Dir(path))
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, selfExe(t), "check-store", path)
	began := time.Now()
	err := cmd.Run()
	took = time.Since(began)
	kilobytes = int64(cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)
	var exit *exec.ExitError
	if ctx.Err() != nil || err != nil && (!errors.As(err, &exit) || exit.ExitCode() == ExitNotJudged) || kilobytes > 150<<10 {
		t.Errorf("%s: %v after %v, %d MB", what, err, took.Round(time.Millisecond), kilobytes>>10)
	}
	return took, kilobytes
}
