package xz

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
)

// A block decodes one block after another: header, LZMA2 chunks, zeros to a multiple of 4, check.
type block struct {
	in            *input
	header        blockHeader
	window        window
	model         model
	chain         chain
	check         check
	dataStart     int64
	decodedBytes  int64 // by LZMA2, which may be more than came through the filters yet
	decodedLimit  int64
	packedLimit   int64
	needsNew      newParts
	ended         bool // LZMA2 said so
	unpaddedBytes int64
}

// newParts are what the next chunk may not do without.
type newParts struct{ dictionary, properties, state bool }

// begin starts on a block whose header was taken from in.
func (b *block) begin(in *input, header blockHeader, checkID byte) {
	b.in, b.header, b.dataStart = in, header, in.offset()
	b.decodedBytes, b.unpaddedBytes, b.ended = 0, 0, false
	b.decodedLimit, b.packedLimit = math.MaxInt64, math.MaxInt64
	if header.decodedBytes >= 0 {
		b.decodedLimit = header.decodedBytes
	}
	if header.packedBytes >= 0 {
		b.packedLimit = header.packedBytes
	}
	b.needsNew = newParts{dictionary: true, properties: true, state: true}
	b.window.reset(header.dictionaryBytes, header.decodedBytes)
	b.check.reset(checkID)
	b.chain.reset(header.filters)
}

// next gives the next decoded piece, which stays until the next call; io.EOF where all of the block was found right.
func (b *block) next() ([]byte, error) {
	for !b.ended {
		piece, err := b.chunk()
		if err != nil {
			return nil, placed(err, b.in.offset())
		}
		piece = b.chain.pass(piece, b.ended)
		b.check.write(piece, len(b.chain) > 0)
		if len(piece) > 0 {
			return piece, nil
		}
	}
	if err := b.finish(); err != nil {
		return nil, placed(err, b.in.offset())
	}
	return nil, io.EOF
}

// A chunkHeader is what stands before a chunk's data.
type chunkHeader struct {
	lengthBytes  int
	packedBytes  int // of LZMA data, or stored as they are
	decodedBytes int
	control      byte
	properties   byte
}

func (h chunkHeader) stored() bool { return h.control < 0x80 }

// chunk decodes a chunk, whole or not at all, into the window.
func (b *block) chunk() ([]byte, error) {
	header, err := b.chunkHeader()
	if err != nil {
		return nil, err
	}
	if header.control == 0 {
		b.in.take(1)
		b.ended = true
		return nil, nil
	}
	if err := b.within(header.lengthBytes + header.packedBytes); err != nil {
		return nil, err
	}
	if b.decodedBytes+int64(header.decodedBytes) > b.decodedLimit {
		return nil, malformed("a block holds more than its header states")
	}
	data, err := b.in.full(header.lengthBytes + header.packedBytes)
	if err != nil {
		return nil, err
	}
	if err := b.prepare(header); err != nil {
		return nil, err
	}
	w := &b.window
	if header.stored() {
		w.pos += copy(w.buf[w.pos:], data[header.lengthBytes:])
	} else if !b.lzma(header) {
		return nil, malformed("LZMA data")
	}
	b.in.take(len(data))
	b.decodedBytes += int64(header.decodedBytes)
	return w.buf[w.pos-header.decodedBytes : w.pos], nil
}

// ofBlock gives n bytes of the block's packed data without taking them. Behind these there may be nothing to look at: a job
// holds its block alone, and its end is not the file's.
func (b *block) ofBlock(n int) ([]byte, error) {
	if err := b.within(n); err != nil {
		return nil, err
	}
	return b.in.full(n)
}

// within tells whether so many bytes more are still of the block's packed data, as far as its header states how many there are.
func (b *block) within(moreBytes int) error {
	if b.in.offset()-b.dataStart+int64(moreBytes) > b.packedLimit {
		return malformed("a block takes more than its header states")
	}
	return nil
}

// chunkHeader reads control 1, decoded size less one 2, and for LZMA data packed size less one 2 and properties 1 if new.
func (b *block) chunkHeader() (chunkHeader, error) {
	raw, err := b.ofBlock(1)
	if err != nil {
		return chunkHeader{}, err
	}
	h := chunkHeader{control: raw[0], lengthBytes: 1}
	switch {
	case h.control == 0:
		return h, nil
	case h.control >= 0xc0:
		h.lengthBytes = 6
	case h.control >= 0x80:
		h.lengthBytes = 5
	case h.control <= 2:
		h.lengthBytes = 3
	default:
		return h, malformed("an LZMA2 control byte")
	}
	if raw, err = b.ofBlock(h.lengthBytes); err != nil {
		return h, err
	}
	h.decodedBytes = int(binary.BigEndian.Uint16(raw[1:])) + 1
	h.packedBytes = h.decodedBytes
	if !h.stored() {
		h.decodedBytes += int(h.control&0x1f) << 16
		h.packedBytes = int(binary.BigEndian.Uint16(raw[3:])) + 1
		h.properties = raw[h.lengthBytes-1]
	}
	return h, nil
}

// prepare forgets what a chunk says to forget, if it may keep the rest, and makes room for it.
func (b *block) prepare(h chunkHeader) error {
	newDictionary := h.control == 1 || h.control >= 0xe0
	if b.needsNew.dictionary && !newDictionary ||
		!h.stored() && (b.needsNew.properties && h.control < 0xc0 || b.needsNew.state && h.control < 0xa0) {
		return malformed("an LZMA2 chunk builds on what is not there")
	}
	if b.window.moves(h.decodedBytes) {
		b.check.settle()
	}
	b.window.room(h.decodedBytes)
	if newDictionary {
		b.window.origin = b.window.pos
		b.needsNew = newParts{properties: true, state: true}
	}
	if h.stored() {
		return nil
	}
	if h.control >= 0xc0 && !b.model.setProperties(h.properties) {
		return malformed("LZMA properties")
	}
	if h.control >= 0xa0 {
		b.model.reset()
	}
	b.needsNew = newParts{}
	return nil
}

// lzma decodes a chunk of LZMA data. It must begin with a zero and end just where it was stated to, the coder back at zero.
func (b *block) lzma(h chunkHeader) bool {
	in := b.in.array(h.lengthBytes)
	if in[0] != 0 || h.packedBytes < 5 {
		return false
	}
	start := b.window.pos
	c, ok := b.model.decode(newCoder(in), &b.window, start+h.decodedBytes)
	return ok && int(c.at) == h.packedBytes && c.code == 0
}

// finish compares the block's end with its header.
func (b *block) finish() error {
	packed := b.in.offset() - b.dataStart
	if b.header.decodedBytes >= 0 && b.header.decodedBytes != b.decodedBytes ||
		b.header.packedBytes >= 0 && b.header.packedBytes != packed {
		return malformed("a block's size is not what its header states")
	}
	paddingLength := int(-packed & 3)
	lengthBytes, _ := checkBytes(b.check.id)
	raw, err := b.in.full(paddingLength + lengthBytes)
	if err != nil {
		return err
	}
	if !allZero(raw[:paddingLength]) {
		return malformed("padding of a block")
	}
	if !b.check.matches(raw[paddingLength:]) {
		return fmt.Errorf("%w: block of %d bytes", ErrChecksum, b.decodedBytes)
	}
	b.in.take(len(raw))
	b.unpaddedBytes = b.header.headerBytes + packed + int64(lengthBytes)
	return nil
}
