package uplinktest

import (
	"bytes"
	"fmt"
	"net"
	"os/exec"
	"os/user"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"chaffinch/internal/outside"
	"chaffinch/publish/mqtt"
)

// single is one broker, mosquitto, with the configuration of the page.
type single struct {
	t       *testing.T
	program string
	folder  string
	port    string
	cmd     *exec.Cmd
	log     said
}

// said is what a program says, to be read meanwhile.
type said struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *said) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

func newSingle(t *testing.T, machines []string) *single {
	t.Helper()
	s := &single{t: t, program: outside.Tool(t, "mosquitto"), folder: folder(t)}
	passwd := outside.Tool(t, "mosquitto_passwd")
	certificates(t, s.folder)
	var err error
	if _, s.port, err = net.SplitHostPort(outside.FreePort(t)); err != nil {
		t.Fatal(err)
	}
	in := func(name string) string { return filepath.Join(s.folder, name) }
	text := replaced(t, block(t, "conf mosquitto"), "listener 8883", "listener "+s.port, "cafile ca.pem", "cafile "+in("ca.pem"),
		"certfile office.pem", "certfile "+in("office.pem"), "keyfile office-key.pem", "keyfile "+in("office-key.pem"),
		"password_file passwords", "password_file "+in("passwords"), "acl_file rules", "acl_file "+in("rules"), "/var/lib/mosquitto/", s.folder+"/")
	who, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	write(t, s.folder, "mosquitto.conf", text+"user "+who.Username+"\n") // not another user, who could not read these files
	write(t, s.folder, "rules", block(t, "conf rules"))
	var all strings.Builder
	for _, name := range append(machines, "office") {
		fmt.Fprintf(&all, "%s:%s\n", name, passwordOf(name))
	}
	write(t, s.folder, "passwords", all.String())
	if out, err := exec.Command(passwd, "-U", in("passwords")).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Cleanup(func() { s.end(syscall.SIGTERM) })
	s.start()
	return s
}

func (s *single) start() {
	s.t.Helper()
	s.cmd = exec.Command(s.program, "-c", filepath.Join(s.folder, "mosquitto.conf"))
	s.cmd.Stderr = &s.log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	waitFor(s.t, 10*time.Second, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+s.port)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (s *single) end(how syscall.Signal) {
	if s.cmd != nil {
		_ = s.cmd.Process.Signal(how)
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

func (s *single) server(name string) mqtt.Server {
	s.t.Helper()
	return mqtt.Server{
		Broker: "mqtts://localhost:" + s.port, CAFile: filepath.Join(s.folder, "ca.pem"),
		Username: name, PasswordFile: write(s.t, s.folder, name+".password", passwordOf(name)+"\n"),
	}
}

// The same with one broker of mosquitto and the page's command at the office. A
// broker that is stopped and started again loses nothing. One that is killed may
// lose what it has acknowledged and not yet saved, which is one message of each
// machine at most, since each has one in flight; the sequence shows the hole.
func TestManyMachinesToOneBroker(t *testing.T) {
	t.Parallel()
	machines, each := 20, 20
	if testing.Short() {
		machines, each = 5, 10
	}
	s := newSingle(t, fleetNames(machines))
	box := &inbox{t, s.folder, s.port}
	box.open()
	waitFor(t, 5*time.Second, "the office is in", func() bool { return strings.Contains(s.log.String(), " as office ") })
	dir := folder(t)
	var fleet []*machine
	for _, name := range fleetNames(machines) {
		fleet = append(fleet, newMachine(t, name, dir, s.server(name)))
	}
	total := 0
	tell := func(n int) { allTell(t, fleet, n); total += n * machines }
	cut := func(how syscall.Signal) {
		t.Helper()
		before := box.tally(fleet).here
		tell(each)
		waitFor(t, 20*time.Second, "some are here", func() bool { return box.tally(fleet).here > before+machines*each/4 })
		s.end(how)
		tell(each)
		s.start()
		tell(1)
		waitFor(t, 20*time.Second, "the newest of each machine is here", func() bool { return box.hasNewest(fleet) })
	}
	cut(syscall.SIGTERM)
	if sum := box.tally(fleet); sum.here != total || sum.late > 0 {
		t.Fatalf("stopped: %+v of %d", sum, total)
	}
	cut(syscall.SIGKILL)
	sum, holes := box.tally(fleet), box.holes()
	if lost := total - sum.here; lost > machines || lost != holes || sum.late > 0 {
		t.Errorf("killed: %+v of %d, %d are missing by their sequence", sum, total, holes)
	}
	// A machine with another one's user: its connection ends at the first message.
	wrong := newMachine(t, "combine-99", dir, s.server("combine-1"))
	wrong.tells(t)
	waitFor(t, 10*time.Second, "it is turned away", func() bool { return wrong.uplink.Health().Err != nil })
	if h := wrong.uplink.Health(); h.Sent != 0 || !wrong.waits() {
		t.Errorf("turned away, but %+v", h)
	}
	t.Log("with another machine's user:", wrong.uplink.Health().Err)
	t.Logf("%d machines, %d messages, the broker stopped and killed: %d came, %d again, %d late, %d missing by their sequence", machines, total, sum.here, sum.again, sum.late, holes)
}
