package listenonly

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

const root = "../.."

// The source of the whole module names no way to send on CAN.
func TestNoSourceCanSend(t *testing.T) {
	files := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() {
			if name == "testdata" || name == "vendor" || path != root && strings.HasPrefix(name, ".") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		relative, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, path, nil, parser.SkipObjectResolution|parser.ParseComments)
		if err != nil {
			return err
		}
		files++
		for _, fault := range faults(set, file, filepath.ToSlash(filepath.Dir(relative))) {
			t.Error(fault)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 20 {
		t.Fatalf("only %d files were looked at", files)
	}
}

// A test that cannot fail proves nothing: each of these must be found.
func TestForbiddenSourceIsFound(t *testing.T) {
	const head = "package x\nimport \"golang.org/x/sys/unix\"\n"
	tests := []struct{ name, dir, source, want string }{
		{"the library's sender", "core", `package x; import "go.einride.tech/can/pkg/socketcan"; var _ = socketcan.NewTransmitter`,
			"imports go.einride.tech/can/pkg/socketcan"},
		{"the library's device set-up", "canbus", `package x; import "go.einride.tech/can/pkg/candevice"`,
			"imports go.einride.tech/can/pkg/candevice"},
		{"send in canbus", "canbus", head + `func f(fd int) { unix.Send(fd, nil, 0) }`, "unix.Send"},
		{"sendto in canbus", "canbus", head + `func f(fd int) { unix.Sendto(fd, nil, 0, nil) }`, "unix.Sendto"},
		{"sendmsg in canbus", "canbus", head + `func f(fd int) { unix.SendmsgN(fd, nil, nil, nil, 0) }`, "unix.SendmsgN"},
		{"write in canbus", "canbus", head + `func f(fd int) { unix.Write(fd, nil) }`, "unix.Write"},
		{"pwrite in canbus", "canbus", head + `func f(fd int) { unix.Pwrite(fd, nil, 0) }`, "unix.Pwrite"},
		{"under another name", "canbus", `package x; import u "golang.org/x/sys/unix"; var f = u.Write`, "unix.Write"},
		{"with a dot", "canbus", `package x; import . "golang.org/x/sys/unix"; var f = Write`, "imports golang.org/x/sys/unix with a dot"},
		{"raw system call", "canbus", head + `var _, _, _ = unix.Syscall(unix.SYS_SENDMMSG, 0, 0, 0)`, "unix.SYS_SENDMMSG"},
		{"raw system call by number", "canbus", head + `var _, _, _ = unix.Syscall(44, 0, 0, 0)`, "system call"},
		{"the other package", "canbus", `package x; import "syscall"; var _ = syscall.Sendto`, "syscall.Sendto"},
		{"descriptor as a file", "canbus", `package x; import "os"; var f = os.NewFile(3, "can0")`, "os.NewFile"},
		{"descriptor as a connection", "canbus", `package x; import "net"; var f = net.FileConn`, "net.FileConn"},
		{"copy of a descriptor", "canbus", head + `var f = unix.Dup`, "unix.Dup"},
		{"descriptor as a result", "canbus", head + `type Socket struct{ fd int }; func (s *Socket) FD() int { return s.fd }`, "exported method Socket.FD"},
		{"descriptor as a field", "canbus", `package x; type Socket struct{ FD int }`, "exported field"},
		{"descriptor in a message", "canbus", head + `var f = unix.UnixRights`, "unix.UnixRights"},
		{"linked from behind", "canbus", "package x\nimport _ \"unsafe\"\n//go:linkname write syscall.write\nfunc write(fd int, b []byte) int\n", "go:linkname"},
		{"a second netlink function", "canbus", head + `func sendMode() { k, _ := unix.Socket(unix.AF_NETLINK, 3, 0); unix.Sendto(k, nil, 0, &unix.SockaddrNetlink{}) }`, "unix.Sendto"},
		{"netlink function with a CAN socket", "canbus", head + `func askLink() { k, _ := unix.Socket(unix.AF_CAN, 3, 0); unix.Sendto(k, nil, 0, &unix.SockaddrNetlink{}) }`, "unix.Sendto"},
		{"netlink function with another socket", "canbus", head + `func askLink(fd int) { k, _ := unix.Socket(unix.AF_NETLINK, 3, 0); _ = k; unix.Sendto(fd, nil, 0, &unix.SockaddrNetlink{}) }`, "unix.Sendto"},
		{"netlink function with a changed descriptor", "canbus", head + `func askLink(fd int) { k, _ := unix.Socket(unix.AF_NETLINK, 3, 0); k = fd; unix.Sendto(k, nil, 0, &unix.SockaddrNetlink{}) }`, "unix.Sendto"},
		{"netlink function with another address", "canbus", head + `func askLink() { k, _ := unix.Socket(unix.AF_NETLINK, 3, 0); unix.Sendto(k, nil, 0, &unix.SockaddrCAN{}) }`, "unix.Sendto"},
		{"a CAN socket elsewhere", "internal/daemon", head + `var f, _ = unix.Socket(unix.AF_CAN, unix.SOCK_RAW, 1)`, "unix.Socket"},
		{"its address elsewhere", "store", head + `var a unix.SockaddrCAN`, "unix.SockaddrCAN"},
		{"raw system call elsewhere", "store", head + `var _, _, _ = unix.RawSyscall(41, 29, 3, 1)`, "unix.RawSyscall"},
		{"another program that sends", "internal/daemon", `package x; import "os/exec"; var c = exec.Command("cansend", "can0", "123#11")`, `"cansend"`},
		{"by its path", "internal/daemon", `package x; const p = "/usr/bin/cangen"`, `"/usr/bin/cangen"`},
		{"C", "canbus", `package x; import "C"`, "imports C"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, "x.go", test.source, parser.SkipObjectResolution|parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			found := faults(set, file, test.dir)
			for _, f := range found {
				if strings.Contains(f, test.want) {
					return
				}
			}
			t.Errorf("%s\nfound %q, want one with %q", test.source, found, test.want)
		})
	}
}

// What the program needs must not be found.
func TestAllowedSourceIsNotFound(t *testing.T) {
	const head = "package x\nimport \"golang.org/x/sys/unix\"\n"
	tests := []struct{ name, dir, source string }{
		{"the netlink question", "canbus", head + `func askLink() { k, _ := unix.Socket(unix.AF_NETLINK, 3, 0); unix.Sendto(k, nil, 0, &unix.SockaddrNetlink{}) }`},
		{"receiving", "canbus", head + `func f(fd int) { unix.Syscall6(unix.SYS_RECVMMSG, uintptr(fd), 0, 0, 0, 0, 0) }`},
		{"a file elsewhere", "store", `package x; import "os"; func f(f *os.File) { f.Write(nil) }`},
		{"the library's frames", "canbus", `package x; import "go.einride.tech/can"; var f can.Frame`},
	}
	for _, test := range tests {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, "x.go", test.source, parser.SkipObjectResolution|parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		if found := faults(set, file, test.dir); len(found) > 0 {
			t.Errorf("%s: %q", test.name, found)
		}
	}
}

// sender are the packages and functions that send on CAN, as they would show
// in the program that is shipped.
var sender = regexp.MustCompile(`go\.einride\.tech/can/pkg/(socketcan|candevice|canrunner)|canbus\..*(Transmit|Send)`)

// The program that is built has no package that sends, and no such symbol.
func TestProgramHasNoSender(t *testing.T) {
	command := outside.Tool(t, "go")
	run := func(args ...string) string {
		t.Helper()
		c := exec.Command(command, args...)
		c.Dir = root
		c.Env = append(os.Environ(), "CGO_ENABLED=0")
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("go %s: %v\n%s", strings.Join(args, " "), err, out)
		}
		return string(out)
	}
	packages := run("list", "-deps", "./cmd/chaffinch")
	if !strings.Contains(packages, "chaffinch/canbus\n") {
		t.Error("the program does not contain canbus: this test looks at the wrong thing")
	}
	program := filepath.Join(t.TempDir(), "chaffinch")
	run("build", "-o", program, "./cmd/chaffinch")
	symbols := run("tool", "nm", program)
	if !strings.Contains(symbols, "chaffinch/canbus.") {
		t.Error("the program shows no symbol of canbus: this test looks at the wrong thing")
	}
	for _, line := range strings.Split(packages+symbols, "\n") {
		if sender.MatchString(line) {
			t.Errorf("in the program: %s", line)
		}
	}
}

func TestSenderPattern(t *testing.T) {
	for symbol, want := range map[string]bool{
		"go.einride.tech/can/pkg/socketcan.(*Transmitter).TransmitFrame": true,
		"go.einride.tech/can/pkg/socketcan.Dial":                         true,
		"chaffinch/canbus.(*Socket).SendFrame":                           true,
		"chaffinch/canbus.(*Socket).Read":                                false,
		"go.einride.tech/can.(*Frame).UnmarshalString":                   false,
	} {
		if sender.MatchString(symbol) != want {
			t.Errorf("%s: %v, want %v", symbol, !want, want)
		}
	}
}
