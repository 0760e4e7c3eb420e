package store

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"
)

// writeUntilKilled is the child: it opens the store, does one step after the
// other and says so after each. It stops in good order when its seed is a
// multiple of 8.
func writeUntilKilled(path, seed string) int {
	fail := func(err error) int {
		fmt.Println("error:", err)
		return 1
	}
	n, err := strconv.ParseUint(seed, 10, 64)
	if err != nil {
		return fail(err)
	}
	s, err := Open(path, Options{OutboxMax: modelOutboxMax})
	if err != nil {
		return fail(err)
	}
	fmt.Println("open")
	active, err := s.Active()
	if err != nil {
		return fail(err)
	}
	var open []string
	for _, r := range active {
		open = append(open, r.ID)
	}
	g := newSteps(n, open)
	for i := 0; n%8 != 0 || i < 20; i++ {
		if err := doStep(s, g.step()); err != nil {
			return fail(err)
		}
		fmt.Println("done")
	}
	if err := s.Close(); err != nil {
		return fail(err)
	}
	fmt.Println("closed")
	return 0
}

// A child is killed at a random moment, again and again on the same file. What
// is there then must be what the model holds after the last acknowledged step,
// or after the one that was under way. As the model gives keys in turn, that
// also shows that no sequence is lost or given twice.
func TestKilledAtAnyMoment(t *testing.T) {
	base := rand.Uint64() >> 8
	t.Logf("base seed %d", base)
	total := 0
	var path string
	var m *model
	for round := range rounds(t, 200) {
		seed := base + uint64(round)
		if round%10 == 0 { // a file that has grown takes long to compare
			path = newPath(t)
			closeStore(t, open(t, path, Options{}))
			s := open(t, path, Options{ReadOnly: true})
			m = readModel(t, s)
			closeStore(t, s)
		}
		lines := killAfter(t, path, seed, time.Duration(rand.IntN(40_000))*time.Microsecond)

		s := open(t, path, Options{ReadOnly: true})
		got := readModel(t, s)
		if clean := s.snapshot().Clean; len(lines) > 0 && lines[len(lines)-1] == "closed" && !clean {
			t.Errorf("seed %d: the mark of a clean stop is missing", seed)
		} else if clean && len(lines) > 0 && lines[len(lines)-1] == "open" {
			t.Errorf("seed %d: the mark of a clean stop is there after a kill", seed)
		}
		closeStore(t, s)

		acknowledged := 0
		for _, l := range lines {
			if l == "done" {
				acknowledged++
			}
		}
		total += acknowledged
		if len(lines) > 0 || got.boot == m.boot+1 {
			m.boot, m.making = m.boot+1, false
		}
		g := newSteps(seed, m.openIDs())
		for range acknowledged {
			m.do(g.step())
		}
		want := m.String()
		if got.String() != want {
			m.do(g.step())
		}
		if got.String() != m.String() {
			t.Fatalf("seed %d, %d steps acknowledged: neither the step before (%s) nor the one under way (%s)", seed, acknowledged,
				firstDifference(got.String(), want), firstDifference(got.String(), m.String()))
		}
	}
	if total == 0 {
		t.Error("no child came to write anything")
	}
	t.Logf("%d steps acknowledged", total)
}

// killAfter returns the lines that the child said. The time runs from when it
// has opened the store, or, one time in four, from its start.
func killAfter(t *testing.T, path string, seed uint64, after time.Duration) []string {
	cmd := exec.Command(selfExe(t), "write-until-killed", path, fmt.Sprint(seed))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	in := bufio.NewReader(out)
	var lines []string
	if seed%4 != 1 {
		first, _ := in.ReadString('\n')
		lines = append(lines, first[:max(0, len(first)-1)])
	}
	if seed%8 != 0 {
		time.AfterFunc(after, func() { cmd.Process.Kill() })
	}
	rest, err := io.ReadAll(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	for line := range lineSeq(rest) {
		lines = append(lines, line)
	}
	for _, l := range lines {
		if l != "open" && l != "done" && l != "closed" {
			t.Fatalf("seed %d: the child says %q", seed, l)
		}
	}
	return lines
}

func lineSeq(b []byte) func(func(string) bool) {
	return func(yield func(string) bool) {
		start := 0
		for i, c := range b {
			if c == '\n' {
				if !yield(string(b[start:i])) {
					return
				}
				start = i + 1
			}
		}
	}
}
