package onkernel

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
)

// Promise: a full bus takes less than 1 % of a core of a desktop, less than 8 % of
// a small board's, and less than 30 MB, with a phone and an MQTT client that look on.
//
// A computer of these tests does exactly 250 million instructions a second, so the
// time that the program ran in it, with what the kernel did for it, counts
// instructions, and the same each time. A core of a desktop is taken to do 4,000
// million a second, that of a small board 600 million (from memory, and rather
// little): those shares are 40 and 48 million.
func TestAFullBusCostsLittle(t *testing.T) {
	const (
		perS    = 2000
		seconds = 40
		most    = 25 // million instructions a second: 0.6 % and 4.2 %
		mostMB  = 30
	)
	for _, arch := range []string{"amd64", "arm64"} {
		t.Run(arch, func(t *testing.T) {
			t.Parallel()
			g := bootWithBus(t, arch)
			log, config := fullBus(t, perS, seconds+20)
			g.give(log, "full.log")
			g.run("full", config)
			g.watch()
			g.openThePage("full")
			g.sh("canplayer -I /shared/full.log can1=can0 & sleep 10")
			before := g.ran("full")
			g.sh(fmt.Sprintf("sleep %d", seconds))
			spent := (g.ran("full") - before).Seconds() / seconds * instructionsPerS / 1e6
			peak := float64(g.number("sed -n 's/VmHWM:[^0-9]*\\([0-9]*\\).*/\\1/p' /proc/$(cat /tmp/full.pid)/status")) / 1e3
			heard, shown := g.sh("tail -n 1 /tmp/live"), g.sh("grep frames_per_s /tmp/page | tail -n 1")
			g.stop("full")

			t.Logf("%.1f million instructions a second, %.1f MB", spent, peak)
			if spent > most || spent < most/10 {
				t.Errorf("%.1f million instructions a second, at most %d are promised", spent, most)
			}
			if peak > mostMB {
				t.Errorf("%.1f MB, at most %d are promised", peak, mostMB)
			}
			for from, text := range map[string]string{"the MQTT client": heard, "the page": shown} {
				if n := perSecond(text); n < 0.99*perS {
					t.Errorf("the bus was not full: %s was told of %v frames a second", from, n)
				}
			}
		})
	}
}

const instructionsPerS = 250e6 // of a guest; see there

// perSecond is how many frames a second the live values tell of, or 0.
func perSecond(live string) float64 {
	found := framesPerS.FindStringSubmatch(live)
	if found == nil {
		return 0
	}
	n, _ := strconv.ParseFloat(found[1], 64)
	return n
}

var framesPerS = regexp.MustCompile(`"frames_per_s":(\d+)`)

// ran is how long a program of the guest has run on its processor.
func (g *guest) ran(name string) time.Duration {
	g.t.Helper()
	return time.Duration(g.number("cat /proc/$(cat /tmp/" + name + ".pid)/task/*/schedstat | awk '{n += $1} END {printf \"%.0f\\n\", n}'"))
}

// openThePage pairs a phone, as its page would, and has it look on from then on.
func (g *guest) openThePage(name string) {
	g.t.Helper()
	g.sh(`cd /tmp
code=$(sed -n 's/.* code=\([0-9]*\) .*/\1/p' /shared/` + name + `.said)
wget -S -O /dev/null --header 'Sec-Fetch-Site: same-origin' --header 'Content-Type: application/json' --post-data '{"code":"'$code'","name":"cab"}' \
	http://127.0.0.1:8080/api/v1/pair 2>paired || { cat paired; exit 1; }
cookie=$(sed -n 's/.*[Ss]et-[Cc]ookie: \([^;]*\);.*/\1/p' paired)
wget -q -O /tmp/page --header 'Sec-Fetch-Site: same-origin' --header "Cookie: $cookie" http://127.0.0.1:8080/api/v1/stream &
sleep 1`)
	g.until(5*time.Second, "grep -q frames_per_s /tmp/page")
}

// fullBus is a make-believe harvest among so many other frames that the bus carries
// perS a second. The others are of a kind that the program does not know, as most
// of a machine's are.
func fullBus(t *testing.T, perS, seconds int) (log, config string) {
	t.Helper()
	s := virtual.Random(7, float64(seconds)/3600)
	s.InCrop = true
	var frames []canbus.Frame
	for f := range virtual.New(s, 7).Frames() {
		frames = append(frames, *f)
	}
	began := frames[0].Stamp
	others := perS*seconds - len(frames)
	for i := range others {
		at := began + int64(i)*int64(seconds)*1e9/int64(others)
		frames = append(frames, canbus.Frame{Stamp: at, ID: 0x18FF0000 | uint32(i%64)<<8 | 0x77, Len: 8, Flags: canbus.Extended,
			Data: [8]byte{byte(i), byte(i >> 8), byte(i >> 16), 4, 3, 2, 1}})
	}
	slices.SortStableFunc(frames, func(a, b canbus.Frame) int { return int(min(1, max(-1, a.Stamp-b.Stamp))) })
	log = filepath.Join(t.TempDir(), "full.log")
	file, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if err := canbus.NewLogWriter(file, []string{"can0"}).Write(frames); err != nil {
		t.Fatal(err)
	}
	return log, virtual.ConfigText(s)
}
