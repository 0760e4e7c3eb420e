package onkernel

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/outside"

	bolt "go.etcd.io/bbolt"
)

// cuts is how often the power is taken: CHAFFINCH_CUTS, or ten times.
func cuts(t *testing.T) int {
	text := os.Getenv("CHAFFINCH_CUTS")
	if text == "" {
		return 10
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// busy is a make-believe harvest of half a minute with a fault code of another
// name twice a second, so that something is told all the time.
func busy() string {
	var b strings.Builder
	b.WriteString("hours = 0.01\nin_crop = true\npass_m = 2000\n")
	for i := range 60 {
		fmt.Fprintf(&b, "[[event]]\nkind = \"fault-code\"\nat_s = %.1f\nfor_s = 1.5\nspn = %d\nfmi = 1\nlamp = \"warning\"\n",
			0.5+0.5*float64(i), 1000+i)
	}
	return b.String()
}

// work mounts the disk, has the store checked, and runs the daemon at a harvest.
// What the daemon's broker tells goes at once to the host, by a client of others.
const work = `
fail() { echo "$1" >> /shared/wrong; exit 1; }
mount -t ext4 -o noatime,errors=remount-ro /dev/vda /disk || fail "no file system"
if [ -e /disk/chaffinch.db ]; then
  /bin/chaffinch check-store /disk/chaffinch.db > /shared/check 2>&1 || fail "check-store: exit code $?: $(cat /shared/check)"
fi
ip link add can0 type vxcan peer name can1 && ip link set can0 up && ip link set can1 up || fail "no bus"
/bin/chaffinch run --config /shared/power.toml 2>/shared/power.said & echo $! >/tmp/power.pid
( ` + "%s" + `) >/shared/took || fail "the page does not answer"
mosquitto_sub -h 127.0.0.1 -q 1 -F %%p -t 'chaffinch/v1/+/event' -t 'chaffinch/v1/+/prompt' -t 'chaffinch/v1/+/verdict' \
  -t 'chaffinch/v1/+/note' -t 'chaffinch/v1/+/shift' >/shared/seen 2>/shared/watch.said &
canplayer -I /shared/harvest.log can1=can0
sleep 3
`

// bench is what stays when the power goes: the disk, and what was seen.
type bench struct {
	t      *testing.T
	disk   *disk
	socket string
	log    string
	config string
	seen   map[string]bool
	took   time.Duration // the slowest start after a cut
	starts int
}

func newBench(t *testing.T, random *rand.Rand) *bench {
	t.Helper()
	prepared(t, "arm64")
	outside.Tool(t, "mke2fs")
	dir, err := os.MkdirTemp(builds, "bench-")
	if err != nil {
		t.Fatal(err)
	}
	script := filepath.Join(dir, "busy.toml")
	if err := os.WriteFile(script, []byte(busy()), 0o644); err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, disk: newDisk(t, 64, random), socket: filepath.Join(dir, "disk"), seen: map[string]bool{}}
	b.log, b.config = harvest(t, script)
	b.config += "\n[store]\npath = \"/disk/chaffinch.db\"\n"
	b.disk.export(t, b.socket)
	return b
}

// start boots a computer with the disk.
func (b *bench) start() *guest {
	b.t.Helper()
	g := boot(b.t, machine{arch: "arm64", disk: b.socket})
	g.write("power.toml", b.config)
	g.give(b.log, "harvest.log")
	return g
}

// round starts a computer, lets it work for a while, and takes the power: then, or
// in the midst of the next flush.
func (b *bench) round(after time.Duration, flushing bool) {
	b.t.Helper()
	g := b.start()
	g.begin(b.work())
	time.Sleep(after)
	if flushing {
		b.disk.awaitFlush(2 * time.Second)
	}
	b.disk.cut(g.cut)
	if wrong, err := os.ReadFile(g.path("wrong")); err == nil {
		b.t.Errorf("%s\n%s", wrong, g.console())
	}
	said, _ := os.ReadFile(g.path("power.said"))
	if strings.Contains(string(said), "damaged") {
		b.t.Errorf("the store was damaged:\n%s", said)
	}
	if took, err := os.ReadFile(g.path("took")); err == nil && len(took) > 0 {
		b.took = max(b.took, parseSeconds(b.t, string(took)))
		b.starts++
	}
	seen := g.seen()
	for _, id := range seen {
		if b.seen[id] {
			b.t.Errorf("message %s came before, in another run", id)
		}
		b.seen[id] = true
	}
	b.t.Logf("cut after %v, in a flush %v: %d messages seen; %d sectors lost until now", after, flushing, len(seen), b.disk.lost)
	os.RemoveAll(g.folder)
}

// work is the script of a computer at work.
func (b *bench) work() string { return fmt.Sprintf(work, waitFor(30*time.Second, pageAnswers)) }

// seen are the ids of the messages that the subscriber has told the host of.
func (g *guest) seen() []string {
	text, _ := os.ReadFile(g.path("seen")) // not there: none
	return messages(g.t, string(text))
}

// messages are the ids of whole lines of JSON.
func messages(t *testing.T, lines string) []string {
	t.Helper()
	var ids []string
	for line := range strings.Lines(lines) {
		if !strings.HasSuffix(line, "\n") {
			break // cut by the power
		}
		if line == "\n" {
			continue // a prompt that is not open any more
		}
		var m struct{ ID string }
		if err := json.Unmarshal([]byte(line), &m); err != nil || m.ID == "" {
			t.Errorf("no message: %q", line)
			continue
		}
		ids = append(ids, m.ID)
	}
	return ids
}

// stored takes the store off the disk and checks it: by the program, by bbolt
// itself, and that no number was given twice. It gives the ids of what is stored.
func (b *bench) stored() map[string]bool {
	b.t.Helper()
	g := b.start()
	g.sh("mount -t ext4 -o noatime /dev/vda /disk && cp /disk/chaffinch.db /shared/ && umount /disk")
	path := g.path("chaffinch.db")
	ours(b.t, "check-store", path)
	db, err := bolt.Open(path, 0o600, &bolt.Options{ReadOnly: true})
	if err != nil {
		b.t.Fatal(err)
	}
	if err := db.View(func(tx *bolt.Tx) error {
		for err := range tx.Check() {
			b.t.Errorf("bbolt's check: %v", err)
		}
		return nil
	}); err != nil {
		b.t.Error(err)
	}
	db.Close()
	ids := map[string]bool{}
	last := map[float64]float64{}
	for _, r := range told(b.t, ours(b.t, "export", "--all", "--format", "jsonl", "--store", path)) {
		m, _ := r["message"].(map[string]any)
		id, _ := m["id"].(string)
		boot, _ := m["boot"].(float64)
		seq, _ := m["seq"].(float64)
		if id == "" || ids[id] {
			b.t.Errorf("message %q is stored twice or has no id", id)
		}
		if r["record"] == "event" && seq <= last[boot] {
			b.t.Errorf("run %v: sequence %v comes after %v", boot, seq, last[boot])
		}
		if r["record"] == "event" {
			last[boot] = seq
		}
		ids[id] = true
	}
	b.t.Logf("%d messages stored, of %d runs", len(ids), len(last))
	return ids
}

// lost are the messages that were seen and are not stored.
func (b *bench) lost() []string {
	b.t.Helper()
	stored := b.stored()
	var lost []string
	for id := range b.seen {
		if !stored[id] {
			lost = append(lost, id)
		}
	}
	return lost
}

// The test must be able to fail: with a disk that says it has flushed and has not, something
// that was seen is lost, or the store, or the file system.
func TestPowerCutsOfADiskThatLies(t *testing.T) {
	t.Parallel()
	b := newBench(t, rand.New(rand.NewPCG(1, 2)))
	b.disk.lies = true
	g := b.start()
	g.begin(b.work())
	for deadline := time.Now().Add(time.Minute); len(g.seen()) < 5 && time.Now().Before(deadline); {
		time.Sleep(50 * time.Millisecond)
	}
	b.disk.cut(g.cut)
	seen := g.seen()
	if len(seen) < 5 {
		t.Fatalf("%d messages seen; the daemon said:\n%s", len(seen), g.read("power.said"))
	}
	g = b.start()
	said, exit := g.try("mount -t ext4 -o noatime /dev/vda /disk && /bin/chaffinch check-store /disk/chaffinch.db && cp /disk/chaffinch.db /shared/")
	if exit != 0 {
		t.Logf("as it should, the check fails: %s", said)
		return
	}
	stored := ours(t, "export", "--all", "--format", "jsonl", "--store", g.path("chaffinch.db"))
	for _, id := range seen {
		if !strings.Contains(stored, strconv.Quote(id)) {
			t.Logf("as it should, %s is lost", id)
			return
		}
	}
	t.Error("the disk lost nothing that matters: the other test proves nothing")
}

// Promise: the power may go at any time. The computer is killed at a random
// moment while it records, and its disk loses what was not flushed. Then the file
// system and the store are whole, everything that a subscriber saw is stored, no
// number was given twice, and the program is up in time.
//
//	CHAFFINCH_CUTS=50 go test ./internal/onkernel -run PowerCuts -v -timeout 60m
func TestPowerCuts(t *testing.T) {
	t.Parallel()
	seed := rand.Uint64()
	random := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d", seed)
	b := newBench(t, random)
	n := cuts(t)
	for range n {
		b.round(200*time.Millisecond+time.Duration(random.IntN(12000))*time.Millisecond, random.IntN(2) == 0)
	}
	for _, id := range b.lost() {
		t.Errorf("message %s was seen and is not stored", id)
	}
	if len(b.seen) == 0 || b.disk.lost == 0 {
		t.Errorf("%d messages seen and %d sectors lost: the test proves nothing", len(b.seen), b.disk.lost)
	}
	if b.took > 5*time.Second {
		t.Errorf("after a cut it took %v until the page answered", b.took)
	}
	t.Logf("%d cuts: %d messages seen, all stored; %d flushes, %d sectors lost; %d starts went as far as the page, the slowest took %v",
		n, len(b.seen), b.disk.flushes, b.disk.lost, b.starts, b.took)
}
