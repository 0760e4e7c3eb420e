package mqtt

import (
	"bytes"
	"io"
	"net"
	"testing"
	"time"
)

// Whatever bytes come, the broker is there for the next client. A panic in a
// goroutine that the listener does not guard would end the test's process.
func FuzzBroker(f *testing.F) {
	for _, version := range []byte{4, 5} {
		hello := connect(version, clean, "x")
		f.Add(hello)
		f.Add(bytes.Join([][]byte{hello, deadly}, nil))
		for _, p := range aSession(version) {
			f.Add(bytes.Join([][]byte{hello, p}, nil))
		}
	}
	b := NewBroker(BrokerOptions{Listen: "127.0.0.1:0", Topics: topics})
	b.limits = limits{silence: 500 * time.Millisecond, burst: 1e9, perSecond: 1e9}
	if err := b.Start(); err != nil {
		f.Fatal(err)
	}
	f.Cleanup(b.Close)
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := net.Dial("tcp", b.Health().Address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		c.SetDeadline(time.Now().Add(5 * time.Second))
		c.Write(data)
		if err := b.Publish(topics.Event(), []byte("x"), 1, true); err != nil {
			t.Fatal(err)
		}
		c.(*net.TCPConn).CloseWrite()
		io.Copy(io.Discard, c)
		// It may have to wait until the broker has done with those before it.
		eventually(t, "the next client", func() bool {
			return dialRaw(t, b.Health().Address).ask(connect(4, clean, "y")) == "20:0000"
		})
	})
}

func FuzzReadCredentials(f *testing.F) {
	c, _, err := NewCredential("tablet", Look)
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte(c.Line()))
	f.Add([]byte("# x\n\na look 00 00\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		all, err := ReadCredentials(bytes.NewReader(data))
		if err != nil {
			return
		}
		var again bytes.Buffer
		for _, c := range all {
			again.WriteString(c.Line() + "\n")
		}
		if back, err := ReadCredentials(&again); err != nil || len(back) != len(all) {
			t.Fatalf("%q: does not come back: %v", data, err)
		}
	})
}
