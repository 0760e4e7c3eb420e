package canbus

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"os"

	"github.com/klauspost/compress/zstd"
)

// rawFile is an opened file below any decompression. It remembers why reading
// failed, so that a broken disk is not taken for a broken archive.
type rawFile struct {
	reader io.Reader
	file   *os.File // to close; nil if it is not ours
	zstd   *zstd.Decoder
	bytes  int64
	err    error // other than io.EOF
}

func openRaw(in input) (*rawFile, error) {
	if in.reader != nil {
		return &rawFile{reader: in.reader}, nil
	}
	f, err := os.Open(in.path)
	if err != nil {
		return nil, err
	}
	return &rawFile{reader: f, file: f}, nil
}

func (r *rawFile) Read(p []byte) (int, error) {
	n, err := r.reader.Read(p)
	r.bytes += int64(n)
	if err != nil && err != io.EOF {
		r.err = err
	}
	return n, err
}

func (r *rawFile) close() error {
	if r.zstd != nil {
		r.zstd.Close()
	}
	if r.file != nil {
		return r.file.Close()
	}
	return nil
}

// The first bytes of what may be in a file (RFC 1952, RFC 8878).
var (
	gzipMagic = []byte{0x1F, 0x8B}
	zstdMagic = []byte{0x28, 0xB5, 0x2F, 0xFD}
)

// textMark may stand before a text, to say that it is UTF-8.
const textMark = "\uFEFF"

const (
	fileBuffer = 64 << 10
	// mostWindow bounds the memory that a zstd file may ask for.
	mostWindow = 64 << 20
)

// sourceOf looks at the first bytes of a file and opens what they announce.
func sourceOf(raw *rawFile) (source, error) {
	outer := bufio.NewReaderSize(raw, fileBuffer)
	plain := outer
	head, _ := outer.Peek(4)
	switch {
	case bytes.HasPrefix(head, gzipMagic):
		z, err := gzip.NewReader(outer)
		if err != nil {
			return nil, fmt.Errorf("gzip: %w", err)
		}
		plain = bufio.NewReaderSize(z, fileBuffer)
	case bytes.HasPrefix(head, zstdMagic):
		z, err := zstd.NewReader(outer, zstd.WithDecoderConcurrency(1),
			zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(mostWindow))
		if err != nil {
			return nil, fmt.Errorf("zstd: %w", err)
		}
		raw.zstd = z
		plain = bufio.NewReaderSize(z, fileBuffer)
	}
	head, err := plain.Peek(4)
	if len(head) == 0 {
		return nil, err // empty, or damaged at once
	}
	switch {
	case isPcap(head):
		return openPcap(plain)
	case isPcapNG(head):
		return openPcapNG(plain)
	}
	if head, _ := plain.Peek(len(textMark)); string(head) == textMark {
		if _, err := plain.Discard(len(textMark)); err != nil {
			return nil, err
		}
	}
	return &textSource{plain: newPlain(), lines: lineReader{reader: plain, buffer: make([]byte, longestLine)}}, nil
}
