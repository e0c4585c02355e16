package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
)

const (
	xzHeaderBytes  = 12 // magic 6, flags 2, CRC-32 of the flags 4
	xzFooterBytes  = 12 // CRC-32 of what follows it 4, backward size 4, flags 2, "YZ" 2
	xzMagic        = "\xfd7zXZ\x00"
	xzFooterMagic  = "YZ"
	xzPaddingBytes = 4 // the unit of the padding between and behind streams
)

// An xzReader decodes the streams of an xz file ("The .xz File Format" 1.1.0). The container is read here and only the
// LZMA2 data inside its blocks is left to a library, whose own reading of the container takes a file that ends behind a
// block for sound, allocates a dictionary of any stated size, and ignores the length of a block header's padding.
//
//	stream: header, blocks, index, footer; then padding of zeros, a multiple of 4
type xzReader struct {
	in       *input
	flags    [2]byte
	block    *xzBlock // nil between blocks
	blocks   xzIndexSum
	inStream bool
}

func newXZ(in *input) io.Reader { return &xzReader{in: in} }

func (x *xzReader) Read(p []byte) (int, error) {
	for {
		if x.block == nil {
			if err := x.advance(); err != nil {
				return 0, err
			}
			continue
		}
		n, err := x.block.Read(p)
		if errors.Is(err, io.EOF) {
			x.blocks.add(x.block.unpaddedBytes, x.block.decodedBytes)
			x.block = nil
			err = nil
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

// advance takes the next piece of structure up to the start of a block's data; io.EOF only behind the last stream.
func (x *xzReader) advance() error {
	if !x.inStream {
		return x.startStream()
	}
	next, err := x.in.Peek(1)
	if len(next) == 0 {
		return noEOF(err)
	}
	if next[0] == 0 {
		return x.endStream()
	}
	x.block, err = openXZBlock(x.in, x.flags[1])
	return err
}

// startStream takes a stream's header, and the padding before it where this is not the first.
func (x *xzReader) startStream() error {
	if x.in.offsetBytes() > 0 {
		if err := x.skipPadding(); err != nil {
			return err
		}
	}
	var header [xzHeaderBytes]byte
	if err := x.in.full(header[:]); err != nil {
		return err
	}
	flags, err := parseXZHeader(header)
	if err != nil {
		return err
	}
	x.flags, x.blocks, x.inStream = flags, newXZIndexSum(), true
	return nil
}

// skipPadding takes zeros in fours; what is neither padding nor another stream is garbage.
func (x *xzReader) skipPadding() error {
	for {
		next, err := x.in.Peek(len(xzMagic))
		switch {
		case len(next) == 0:
			return err
		case len(next) >= xzPaddingBytes && allZero(next[:xzPaddingBytes]):
			if _, err := x.in.Discard(xzPaddingBytes); err != nil {
				return err
			}
		case bytes.HasPrefix([]byte(xzMagic), next):
			return nil // perhaps cut short, which reading the header will tell
		default:
			return ErrTrailing
		}
	}
}

// endStream takes index and footer. Both must agree with the blocks that were decoded.
func (x *xzReader) endStream() error {
	indexBytes, err := checkXZIndex(x.in, x.blocks)
	if err != nil {
		return err
	}
	var raw [xzFooterBytes]byte
	if err := x.in.full(raw[:]); err != nil {
		return err
	}
	footer, err := parseXZFooter(raw)
	if err != nil {
		return err
	}
	if footer.flags != x.flags || footer.indexBytes != indexBytes {
		return fmt.Errorf("%w: the xz stream footer disagrees with its stream", ErrMalformed)
	}
	x.inStream = false
	return nil
}

func parseXZHeader(raw [xzHeaderBytes]byte) (flags [2]byte, err error) {
	if string(raw[:6]) != xzMagic {
		return flags, fmt.Errorf("%w: xz stream header magic", ErrMalformed)
	}
	if binary.LittleEndian.Uint32(raw[8:]) != crc32.ChecksumIEEE(raw[6:8]) {
		return flags, fmt.Errorf("%w: xz stream header", ErrChecksum)
	}
	flags = [2]byte(raw[6:8])
	_, err = newXZCheck(flags[1])
	if flags[0] != 0 {
		err = fmt.Errorf("%w: xz stream flags %x", ErrUnsupported, flags)
	}
	return flags, err
}

type xzFooter struct {
	flags      [2]byte
	indexBytes int64
}

func parseXZFooter(raw [xzFooterBytes]byte) (xzFooter, error) {
	if string(raw[10:]) != xzFooterMagic {
		return xzFooter{}, fmt.Errorf("%w: xz stream footer magic", ErrMalformed)
	}
	if binary.LittleEndian.Uint32(raw[:]) != crc32.ChecksumIEEE(raw[4:10]) {
		return xzFooter{}, fmt.Errorf("%w: xz stream footer", ErrChecksum)
	}
	return xzFooter{
		flags:      [2]byte(raw[8:10]),
		indexBytes: (int64(binary.LittleEndian.Uint32(raw[4:])) + 1) * 4,
	}, nil
}

func allZero(bytes []byte) bool {
	for _, b := range bytes {
		if b != 0 {
			return false
		}
	}
	return true
}

// noCheck is the integrity check of xz files that carry none.
type noCheck struct{ hash.Hash }

func (noCheck) Write(p []byte) (int, error) { return len(p), nil }
func (noCheck) Sum(sum []byte) []byte       { return sum }
func (noCheck) Size() int                   { return 0 }
