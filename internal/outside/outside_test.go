package outside

import (
	"fmt"
	"runtime"
	"testing"
)

// spy is a test that only notes how it ended.
type spy struct {
	testing.TB
	end string
}

func (s *spy) Helper() {}
func (s *spy) Skipf(format string, args ...any) {
	s.end = "skip: " + fmt.Sprintf(format, args...)
	runtime.Goexit()
}
func (s *spy) Fatalf(format string, args ...any) {
	s.end = "fatal: " + fmt.Sprintf(format, args...)
	runtime.Goexit()
}

func run(f func(testing.TB)) string {
	s := &spy{}
	done := make(chan struct{})
	go func() {
		defer close(done)
		f(s)
	}()
	<-done
	return s.end
}

func TestMissing(t *testing.T) {
	noTool := func(t testing.TB) { Tool(t, "no-such-program") }
	noData := func(t testing.TB) { Data(t, "CHAFFINCH_NO_SUCH_DATA") }
	tests := []struct {
		name, require string
		f             func(testing.TB)
		want          string
	}{
		{"tool", "", noTool, "skip: NOT CHECKED: the program no-such-program is not installed (Debian package no-such-program)"},
		{"tool required", "1", noTool, "fatal: required, but the program no-such-program is not installed (Debian package no-such-program)"},
		{"data", "", noData, "skip: NOT CHECKED: CHAFFINCH_NO_SUCH_DATA does not name a directory with the data of this check"},
		{"data required", "1", noData, "fatal: required, but CHAFFINCH_NO_SUCH_DATA does not name a directory with the data of this check"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Setenv("CHAFFINCH_REQUIRE", test.require)
			if got := run(test.f); got != test.want {
				t.Errorf("got  %s\nwant %s", got, test.want)
			}
		})
	}
}

func TestPresent(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("CHAFFINCH_SOME_DATA", dir)
	if got := Data(t, "CHAFFINCH_SOME_DATA"); got != dir {
		t.Errorf("Data = %s, want %s", got, dir)
	}
	if Tool(t, "go") == "" {
		t.Error("the go program runs this test and was not found")
	}
}
