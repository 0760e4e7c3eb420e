package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/find"
)

// What is read must not be written over, and no file is for two things.
func TestOutputsAreNotWhatIsRead(t *testing.T) {
	folder := t.TempDir()
	log := filepath.Join(folder, "monday.log")
	text, err := os.ReadFile(recording("tractor-ignition-off.log"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(log, text, 0o644); err != nil {
		t.Fatal(err)
	}
	link, out := filepath.Join(folder, "link.log"), filepath.Join(folder, "out")
	if err := os.Link(log, link); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"replay", "--samples", log, log},
		{"replay", "--record", link, log},
		{"replay", "--events", log, "--notes", out, log},
		{"replay", "--answers", log, "--states=" + log, recording("tractor-ignition-off.log")},
		{"replay", "--samples", out, "--notes", out, log},
		{"find", "engine_speed_rpm", "--log", log, "--picture", log, "--reading", "1=800", "--reading", "2=900", "--reading", "3=1000"},
	} {
		r := chaffinch(nil, args...)
		if r.code != exitUsage || !strings.Contains(r.err, "another name") {
			t.Errorf("%v: code %d, said %q", args, r.code, r.err)
		}
		if now, err := os.ReadFile(log); err != nil || !bytes.Equal(now, text) {
			t.Fatalf("%v: the log was written over", args)
		}
	}
	if r := chaffinch(nil, "replay", "--quiet", "--events", os.DevNull, "--samples", os.DevNull, "--record", out, log); r.code != exitDone {
		t.Errorf("what is thrown away twice: %+v", r)
	}
}

// Standard input can be read once.
func TestStandardInputIsForOneThing(t *testing.T) {
	for _, c := range []struct {
		name string
		args []string
	}{
		{"find reads a log twice", []string{"find", "engine_speed_rpm", "--log", "-", "--reading", "1=800", "--reading", "2=900", "--reading", "3=1000"}},
		{"log and answers", []string{"replay", "--answers", "-", "-"}},
	} {
		if r := chaffinch([]byte("(1.0) can0 123#00\n"), c.args...); r.code != exitUsage || !strings.Contains(r.err, "standard input") {
			t.Errorf("%s: code %d, said %q", c.name, r.code, r.err)
		}
	}
}

// A flag that has no meaning is not passed over.
func TestFlagsWithoutMeaningAreToldOf(t *testing.T) {
	for _, args := range [][]string{
		{"export", "--store", "a.db", "--format", "csv", "--units", "us"},
		{"export", "--from", "http://127.0.0.1:1", "--format", "report", "--units", "us"},
		{"simulate", "--script", "a.toml", "--hours", "3"},
	} {
		if r := chaffinch(nil, args...); r.code != exitUsage {
			t.Errorf("%v: code %d, said %q", args, r.code, r.err)
		}
	}
}

// Export puts a whole file in the place of one; a pipe or a device, such as
// /dev/null, it must leave there. (The store's folder is root's and the program's, so
// exports are mostly root's.)
func TestExportWritesIntoAPipe(t *testing.T) {
	store, _ := harvestStore(t, "0.05")
	folder := t.TempDir()
	pipe := filepath.Join(folder, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	read := make(chan []byte, 1)
	go func() {
		text, _ := os.ReadFile(pipe)
		read <- text
	}()
	r := chaffinch(nil, "export", "--store", store, "--format", "csv", "--all", "--out", pipe)
	info, err := os.Lstat(pipe)
	if r.code != exitDone || err != nil || info.Mode()&os.ModeNamedPipe == 0 {
		t.Fatalf("%+v; the pipe is now %v (%v)", r, info, err)
	}
	if text := <-read; !bytes.HasPrefix(text, []byte("time,")) {
		t.Errorf("in the pipe: %.80q", text)
	}
	if all, err := os.ReadDir(folder); err != nil || len(all) != 1 {
		t.Errorf("beside it there are %v (%v)", all, err)
	}
}

// The folder of the service's files is closed to others. The program runs as nobody.
func TestWhatIsTheServicesSaysSudo(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("NOT CHECKED: only root can run it as somebody else")
	}
	folder, err := os.MkdirTemp("/tmp", "chaffinch-closed-") // each part of the path is open, but for the last
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(folder)
	if err := errors.Join(os.Chmod(folder, 0o755), os.Mkdir(filepath.Join(folder, "state"), 0o700)); err != nil {
		t.Fatal(err)
	}
	copied, store := filepath.Join(folder, "chaffinch"), filepath.Join(folder, "state", "chaffinch.db")
	text, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(folder, "chaffinch.toml")
	if err := errors.Join(os.WriteFile(copied, text, 0o755), os.WriteFile(config, []byte("[store]\npath = \""+store+"\"\n"), 0o644)); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"device", "add", "tablet", "--config", config},
		{"device", "list", "--config", config},
		{"device", "forget", "tablet", "--config", config},
		{"export", "--store", store, "--format", "csv"},
	} {
		cmd := exec.Command(copied, args...)
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		out, err := cmd.CombinedOutput()
		if err == nil || !strings.Contains(string(out), "sudo") {
			t.Errorf("%v: %v, said %q", args, err, out)
		}
	}
}

// What was found in minutes of listening is shown, also where a file beside it cannot
// be written.
func TestWhatWasFoundIsShownFirst(t *testing.T) {
	taken := filepath.Join(t.TempDir(), "taken.toml")
	if err := os.WriteFile(taken, []byte("# filled in by its owner\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := chaffinch(nil, "survey", "--write-config", taken, recording("tractor-ignition-off.log"))
	if r.code != exitFailed || !strings.Contains(r.err, "is there already") || !strings.Contains(r.out, "BUS") {
		t.Errorf("survey: code %d, said %q, %d bytes of report", r.code, r.err, len(r.out))
	}
	if text, err := os.ReadFile(taken); err != nil || string(text) != "# filled in by its owner\n" {
		t.Errorf("the configuration is now %q (%v)", text, err)
	}
	r = chaffinch(nil, "find", "engine_speed_rpm", "--log", recording("tractor-start-and-rev.log"), "--picture", "/nowhere/a.svg",
		"--reading", "5=800", "--reading", "8=900", "--reading", "11=1000")
	if r.code != exitFailed || !strings.Contains(r.err, "/nowhere") || !strings.Contains(r.out, "engine_speed_rpm: ") {
		t.Errorf("find: code %d, said %q and %q", r.code, r.err, r.out)
	}
}

// A slip of the pen must not spoil the readings before and after it.
func TestReadingsThatAreNoNumbersAreAskedAgain(t *testing.T) {
	log := recording("tractor-start-and-rev.log")
	r := chaffinch([]byte("5=NaN\n5=800\n8=Inf\n8=900,5\n11=1000\n\n"), "find", "engine_speed_rpm", "--log", log)
	if r.code != exitDone || !strings.Contains(r.err, `"NaN" is no number`) || !strings.Contains(r.err, `"Inf" is no number`) || !strings.Contains(r.out, "3 readings") {
		t.Errorf("code %d, said %q and %q", r.code, r.err, r.out)
	}
	var said bytes.Buffer
	l := liveSearch{collector: find.NewCollector()}
	l.typed(streams{err: &said}, "nan", 1e9)
	if len(l.query.Readings) != 0 || !strings.Contains(said.String(), "is no number") {
		t.Errorf("live: %v, said %q", l.query.Readings, said.String())
	}
}

// The data of CAN FD are not kept, so a record lacks such frames; that is said.
func TestARecordThatLacksFramesSaysSo(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out.log")
	r := chaffinch([]byte("(1.0) can0 123#00\n(1.1) can0 123##1FF\n(1.2) can0 123##1FF00\n"), "replay", "--quiet", "--record", out, "-")
	if text, err := os.ReadFile(out); err != nil || strings.Count(string(text), "\n") != 1 {
		t.Fatalf("%q, %v", text, err)
	}
	if r.code != exitDone || !strings.Contains(r.err, "2 CAN FD frames") {
		t.Errorf("%+v", r)
	}
}

// A log that breaks off is read as far as it goes, and it is said that it does.
func TestALogThatBreaksOffIsToldOf(t *testing.T) {
	text, err := os.ReadFile(recording("truck-keyon-engine-off.log.gz"))
	if err != nil {
		t.Fatal(err)
	}
	log := filepath.Join(t.TempDir(), "broken.log.gz")
	if err := os.WriteFile(log, text[:len(text)/20], 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"replay", "--quiet", log},
		{"replay", log},
		{"survey", log},
		{"find", "engine_speed_rpm", "--log", log, "--reading", "1=800", "--reading", "2=900", "--reading", "3=1000"},
		{"find", "unloading", "--log", log, "--on", "1", "--off", "2", "--on", "3"},
	} {
		r := chaffinch(nil, args...)
		if r.code != exitDone || strings.Count(r.err, "the file is damaged from here on") != 1 {
			t.Errorf("%v: code %d, said %q", args, r.code, r.err)
		}
	}
	r := chaffinch([]byte("1=800\n2=900\n3=1000\n3.5=1010\n\n"), "find", "engine_speed_rpm", "--log", log)
	if strings.Count(r.err, "the file is damaged from here on") != 1 {
		t.Errorf("asking: said %q", r.err)
	}
}

// The verbs under device are used wrongly as the others are.
func TestWrongUseOfDevice(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"device", "add, list or forget"},
		{"device bogus", `"bogus"`},
		{"device add", "device add --help shows an example"},
		{"device list x", "device list --help shows an example"},
		{"device forget a b", "device forget --help shows an example"},
	} {
		r := chaffinch(nil, strings.Fields(c.args)...)
		if r.code != exitUsage || !strings.Contains(r.err, c.want) || r.out != "" {
			t.Errorf("%s: %+v", c.args, r)
		}
	}
}

// Nobody reads a display for minutes to a bus that is not there.
func TestABusThatIsNotThere(t *testing.T) {
	for state, want := range map[canbus.LinkState]string{canbus.Absent: "there is no interface can7", canbus.Down: "can7 is switched off", canbus.Up: ""} {
		err := notHeard(canbus.Health{Interface: "can7", State: state}, 250_000)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %v", state, err)
		}
	}
}

// /dev/stdout is a link to an open file, often a regular one, and must stay one.
func TestOpenFilesAreSpecial(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for path, want := range map[string]bool{
		fmt.Sprintf("/proc/self/fd/%d", file.Fd()): true, os.DevNull: true,
		file.Name(): false, file.Name() + ".none": false, filepath.Dir(file.Name()): false, "/dev/shm/none.csv": false,
	} {
		if got := special(path); got != want {
			t.Errorf("%s: %v", path, got)
		}
	}
}
