package onkernel

import (
	"encoding/json"
	"fmt"
	"net"
	"time"
)

// monitor speaks QEMU's machine protocol.
type monitor struct {
	conn net.Conn
	in   *json.Decoder
	out  *json.Encoder
}

func openMonitor(socket string) (*monitor, error) {
	c, err := net.DialTimeout("unix", socket, 10*time.Second)
	if err != nil {
		return nil, err
	}
	m := &monitor{conn: c, in: json.NewDecoder(c), out: json.NewEncoder(c)}
	return m, m.order("qmp_capabilities", nil)
}

// order gives an order and waits for the answer. What QEMU tells of itself in
// between is passed over.
func (m *monitor) order(command string, arguments map[string]any) error {
	m.conn.SetDeadline(time.Now().Add(30 * time.Second))
	say := map[string]any{"execute": command}
	if arguments != nil {
		say["arguments"] = arguments
	}
	if err := m.out.Encode(say); err != nil {
		return err
	}
	for {
		var answer struct{ Return, Error json.RawMessage }
		if err := m.in.Decode(&answer); err != nil {
			return err
		}
		switch {
		case answer.Error != nil:
			return fmt.Errorf("%s", answer.Error)
		case answer.Return != nil:
			return nil
		}
	}
}
