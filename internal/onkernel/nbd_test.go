package onkernel

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"testing"
)

// The protocol by which QEMU reaches a disk of ours: Network Block Device, its
// document is doc/proto.md of the project NetworkBlockDevice/nbd. Only what QEMU
// needs is here.
const (
	nbdMagic      = 0x4e42444d41474943 // "NBDMAGIC"
	nbdOption     = 0x49484156454f5054 // "IHAVEOPT"
	nbdAnswer     = 0x3e889045565a9
	nbdRequest    = 0x25609513
	nbdReply      = 0x67446698
	nbdAck        = 1
	nbdInfo       = 3
	nbdNotKnown   = 1<<31 + 1
	nbdBadRequest = 22
)

// export serves the disk on a socket until the test ends.
func (d *disk) export(t *testing.T, socket string) {
	t.Helper()
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				_ = d.serve(c) // a computer whose power was cut ends in the middle of anything
			}()
		}
	}()
}

func (d *disk) serve(c net.Conn) error {
	in, out := bufio.NewReader(c), bufio.NewWriter(c)
	if err := d.greet(in, out); err != nil {
		return err
	}
	for {
		var q struct {
			Magic         uint32
			Flags, Kind   uint16
			Cookie, Begin uint64
			Length        uint32
		}
		if err := binary.Read(in, binary.BigEndian, &q); err != nil {
			return err
		}
		if q.Magic != nbdRequest || q.Length > 64<<20 {
			return fmt.Errorf("no request: %+v", q)
		}
		var wrong uint32
		data := make([]byte, q.Length)
		switch {
		case q.Kind == 2: // the end
			return nil
		case q.Kind == 3:
			d.flush()
			data = nil
		case q.Kind == 0 && d.within(q.Begin, q.Length):
			d.read(data, int64(q.Begin))
		case q.Kind == 1:
			if _, err := io.ReadFull(in, data); err != nil {
				return err
			}
			if !d.within(q.Begin, q.Length) {
				wrong = nbdBadRequest
			} else {
				d.write(data, int64(q.Begin))
			}
			data = nil
		default:
			wrong, data = nbdBadRequest, nil
		}
		if err := binary.Write(out, binary.BigEndian, struct {
			Magic, Wrong uint32
			Cookie       uint64
		}{nbdReply, wrong, q.Cookie}); err != nil {
			return err
		}
		if _, err := out.Write(data); err != nil {
			return err
		}
		if err := out.Flush(); err != nil {
			return err
		}
	}
}

// greet agrees on the disk's size, and that it can be flushed. "Force unit access"
// is not offered, so that the computer flushes instead.
func (d *disk) greet(in *bufio.Reader, out *bufio.Writer) error {
	const fixed, noZeroes = 1, 2
	const hasFlags, canFlush = 1, 4
	say := func(values ...any) error {
		for _, v := range values {
			if err := binary.Write(out, binary.BigEndian, v); err != nil {
				return err
			}
		}
		return out.Flush()
	}
	if err := say(uint64(nbdMagic), uint64(nbdOption), uint16(fixed|noZeroes)); err != nil {
		return err
	}
	var flags uint32
	if err := binary.Read(in, binary.BigEndian, &flags); err != nil {
		return err
	}
	for {
		var option struct {
			Magic        uint64
			Kind, Length uint32
		}
		if err := binary.Read(in, binary.BigEndian, &option); err != nil {
			return err
		}
		if option.Magic != nbdOption || option.Length > 1<<16 {
			return fmt.Errorf("no option: %+v", option)
		}
		if _, err := io.CopyN(io.Discard, in, int64(option.Length)); err != nil {
			return err
		}
		answer := func(kind uint32, data ...any) error {
			size := 0
			for _, v := range data {
				size += binary.Size(v)
			}
			return say(append([]any{uint64(nbdAnswer), option.Kind, kind, uint32(size)}, data...)...)
		}
		switch option.Kind {
		case 6, 7: // tell of the disk; 7: and go on to requests
			if err := answer(nbdInfo, uint16(0), uint64(len(d.lasting)), uint16(hasFlags|canFlush)); err != nil {
				return err
			}
			if err := answer(nbdAck); err != nil {
				return err
			}
			if option.Kind == 7 {
				return nil
			}
		default:
			if err := answer(nbdNotKnown); err != nil {
				return err
			}
		}
	}
}
