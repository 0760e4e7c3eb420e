package daemon

import (
	"log/slog"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Service is what the service manager wants of the program (sd_notify(3),
// sd_watchdog_enabled(3)). The zero Service is a program that somebody started
// by hand.
type Service struct {
	// Socket is the address to which the program says how it is: a path, or a
	// name that begins with "@". Empty: nobody listens.
	Socket string
	// Watchdog is how long the manager waits for a sign of life before it ends
	// the program; 0 is for ever.
	Watchdog time.Duration
}

// ServiceFrom reads what the manager put into the environment, and leaves it
// there: a socket that is gone after the first word would end the signs of life.
func ServiceFrom(getenv func(string) string) Service {
	s := Service{Socket: getenv("NOTIFY_SOCKET")}
	if pid := getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return s // it was meant for another process
	}
	if us, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64); err == nil && us > 0 && us < int64(time.Hour/time.Microsecond) {
		s.Watchdog = time.Duration(us) * time.Microsecond
	}
	return s
}

// notifier talks to the service manager. A few lines of our own, since that is
// all the protocol there is: a datagram of NAME=value lines. Each goes over a
// socket of its own, so that a manager that was started anew hears the next.
type notifier struct {
	socket string
	log    *slog.Logger

	mu     sync.Mutex
	failed bool   // the last word did not get through
	status string // as last said
}

// say sends lines, and tells whether they got through. It waits a second at
// most: a manager that does not read must not hold up its program.
func (n *notifier) say(lines ...string) bool {
	if n.socket == "" {
		return false
	}
	err := send(n.socket, strings.Join(lines, "\n"))
	n.mu.Lock()
	defer n.mu.Unlock()
	if failed := err != nil; failed != n.failed {
		n.failed = failed
		if failed {
			n.log.Warn("the service manager does not hear", "error", err)
		}
	}
	return err == nil
}

func send(socket, text string) error {
	// Package net takes a leading "@" for the abstract namespace, as sd_notify
	// does.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		return err
	}
	defer conn.Close()
	if err := conn.SetWriteDeadline(time.Now().Add(time.Second)); err != nil {
		return err
	}
	_, err = conn.Write([]byte(text))
	return err
}

// tell says how the program is, in one line, if that is news.
func (n *notifier) tell(status string) {
	status = strings.Join(strings.Fields(status), " ") // a new line would begin another NAME=
	n.mu.Lock()
	news := status != n.status
	n.mu.Unlock()
	if !news || !n.say("STATUS="+status) {
		return
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.status = status
}
