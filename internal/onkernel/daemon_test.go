package onkernel

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The bus of ISO 11783-2: 250 kbit/s. Nobody else than can1 transmits on it.
const (
	listenOnCan0 = "ip link set can0 type can bitrate 250000 listen-only on && ip link set can0 up"
	sendOnCan1   = "ip link set can1 type can bitrate 250000 && ip link set can1 txqueuelen 1000 && ip link set can1 up"
)

// run starts the daemon in the guest with a configuration and a store of its
// own, and waits until its page answers.
func (g *guest) run(name, config string) {
	g.t.Helper()
	config += fmt.Sprintf("\n[store]\npath = \"/tmp/%s.db\"\n", name)
	g.write(name+".toml", config)
	g.launch(name, "/shared/"+name+".toml")
	g.until(time.Minute, pageAnswers)
}

// launch starts the daemon and does not wait. What it says goes to the guest's folder.
func (g *guest) launch(name, config string) {
	g.t.Helper()
	g.sh(fmt.Sprintf("/bin/chaffinch run --config %s 2>>/shared/%s.said & echo $! >/tmp/%s.pid", config, name, name))
}

const pageAnswers = "wget -q -O /dev/null http://127.0.0.1:8080/api/v1/healthz"

// stop ends the daemon as systemd would and waits for it.
func (g *guest) stop(name string) time.Duration {
	g.t.Helper()
	g.sh("kill -TERM $(cat /tmp/" + name + ".pid)")
	return g.until(10*time.Second, "! kill -0 $(cat /tmp/"+name+".pid) 2>/dev/null")
}

// said is a condition in the guest: the daemon has logged a line with the text
// (a basic regular expression) at least n times.
func said(name, text string, n int) string {
	return fmt.Sprintf("[ $(grep -c '%s' /shared/%s.said) -ge %d ]", text, name, n)
}

// ours runs our program on this computer.
func ours(t *testing.T, args ...string) string {
	t.Helper()
	_, program := prepared(t, "amd64")
	var said strings.Builder
	cmd := exec.Command(program, args...)
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("chaffinch %s: %v\n%s", strings.Join(args, " "), err, said.String())
	}
	return string(out)
}

// harvest makes the log of a make-believe harvest and the configuration for it.
func harvest(t *testing.T, script string) (log, config string) {
	t.Helper()
	dir := t.TempDir()
	log, toml := filepath.Join(dir, "harvest.log"), filepath.Join(dir, "harvest.toml")
	ours(t, "simulate", "--script", script, "--seed", "3", "--out", log, "--config", toml)
	text, err := os.ReadFile(toml)
	if err != nil {
		t.Fatal(err)
	}
	return log, string(text)
}
