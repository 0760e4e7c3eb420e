package phonetest

import (
	"flag"
	"os"
	"testing"
)

// The tests mostly wait for a page to notice something, so more of them run at
// once than there are cores.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	code := m.Run()
	if browser.end != nil {
		browser.end()
	}
	os.Exit(code)
}
