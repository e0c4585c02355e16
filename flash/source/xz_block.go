package source

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"hash/crc64"
	"io"
	"runtime"

	"github.com/ulikunitz/xz/lzma"
)

const (
	xzLZMA2Filter     = 0x21
	xzFilterCountMask = 0x03
	xzReservedFlags   = 0x3c
	xzPackedSizeFlag  = 0x40
	xzDecodedSizeFlag = 0x80
	// bigDictionaryBytes is from where on the dictionary of a finished block is collected before the next is allocated, so
	// that two of them never lie in memory together for long. Smaller ones are left to the collector's own pace.
	bigDictionaryBytes = 16 << 20
)

// newXZCheck gives the integrity check of that id.
func newXZCheck(id byte) (hash.Hash, error) {
	switch id {
	case 0x00:
		return noCheck{}, nil
	case 0x01:
		return reversed{crc32.NewIEEE()}, nil
	case 0x04:
		return reversed{crc64.New(crc64.MakeTable(crc64.ECMA))}, nil
	case 0x0a:
		return sha256.New(), nil
	default:
		return nil, fmt.Errorf("%w: xz check of kind %#x", ErrUnsupported, id)
	}
}

// reversed gives a sum in little-endian order, as xz stores its CRCs.
type reversed struct{ hash.Hash }

func (r reversed) Sum(prefix []byte) []byte {
	sum := r.Hash.Sum(nil)
	for i := len(sum) - 1; i >= 0; i-- {
		prefix = append(prefix, sum[i])
	}
	return prefix
}

// An xzBlock decodes one block: header, LZMA2 data, zero padding to a multiple of 4, check.
type xzBlock struct {
	in            *input
	header        xzBlockHeader
	data          *lzma.Reader2
	check         hash.Hash
	dataStart     int64
	decodedBytes  int64
	unpaddedBytes int64 // header, data and check, without padding; known at the block's end
}

func openXZBlock(in *input, checkID byte) (*xzBlock, error) {
	check, err := newXZCheck(checkID)
	if err != nil {
		return nil, err
	}
	header, err := readXZBlockHeader(in)
	if err != nil {
		return nil, err
	}
	dictionary := header.dictionaryBytes
	if dictionary > MaxDictionaryBytes {
		return nil, fmt.Errorf("%w: an LZMA dictionary of %d bytes, at most %d are allowed",
			ErrTooMuchMemory, dictionary, MaxDictionaryBytes)
	}
	if header.decodedBytes >= 0 {
		dictionary = min(dictionary, header.decodedBytes) // no match reaches back further than the block's start
	}
	if dictionary >= bigDictionaryBytes {
		runtime.GC()
	}
	block := &xzBlock{in: in, header: header, check: check, dataStart: in.offsetBytes()}
	block.data, err = lzma.Reader2Config{DictCap: int(max(dictionary, lzma.MinDictCap))}.NewReader2(in)
	if err != nil {
		return nil, block.damaged(err)
	}
	return block, nil
}

// Read gives io.EOF only after padding and check were found right.
func (b *xzBlock) Read(p []byte) (int, error) {
	n, err := b.data.Read(p)
	b.check.Write(p[:n])
	b.decodedBytes += int64(n)
	if surplus := b.decodedBytes - b.header.decodedBytes; b.header.decodedBytes >= 0 && surplus > 0 {
		return n - int(surplus), fmt.Errorf("%w: an xz block holds more than its header states", ErrMalformed)
	}
	switch {
	case err == nil:
		return n, nil
	// The library gives io.EOF for a cut chunk header too; only its EOS tells the true end.
	case errors.Is(err, io.EOF) && b.data.EOS():
		return n, b.finish()
	default:
		return n, b.damaged(err)
	}
}

// damaged classes the library's errors, which have no types: an unexpected end is judged by whether
// the source ended there.
func (b *xzBlock) damaged(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return io.ErrUnexpectedEOF
	}
	return fmt.Errorf("%w: %w", ErrMalformed, err)
}

// finish compares the block's end with its header; io.EOF says that all is right.
func (b *xzBlock) finish() error {
	packed := b.in.offsetBytes() - b.dataStart
	if b.header.decodedBytes >= 0 && b.header.decodedBytes != b.decodedBytes ||
		b.header.packedBytes >= 0 && b.header.packedBytes != packed {
		return fmt.Errorf("%w: an xz block's size is not what its header states", ErrMalformed)
	}
	padding := make([]byte, -packed&3)
	if err := b.in.full(padding); err != nil {
		return err
	}
	if !allZero(padding) {
		return fmt.Errorf("%w: xz block padding", ErrMalformed)
	}
	stored := make([]byte, b.check.Size())
	if err := b.in.full(stored); err != nil {
		return err
	}
	if !bytes.Equal(stored, b.check.Sum(nil)) {
		return fmt.Errorf("%w: xz block of %d bytes", ErrChecksum, b.decodedBytes)
	}
	b.unpaddedBytes = b.header.headerBytes + packed + int64(len(stored))
	return io.EOF
}

// An xzBlockHeader is what stands before a block's data. Sizes are -1 where not stated.
type xzBlockHeader struct {
	headerBytes     int64
	packedBytes     int64
	decodedBytes    int64
	dictionaryBytes int64
}

// readXZBlockHeader takes size 1, flags 1, sizes if stated, filters, zeros, CRC-32 4.
func readXZBlockHeader(in *input) (xzBlockHeader, error) {
	first, err := in.Peek(1)
	if len(first) == 0 {
		return xzBlockHeader{}, noEOF(err)
	}
	raw := make([]byte, (int(first[0])+1)*4)
	if err := in.full(raw); err != nil {
		return xzBlockHeader{}, err
	}
	body := raw[:len(raw)-4]
	if binary.LittleEndian.Uint32(raw[len(body):]) != crc32.ChecksumIEEE(body) {
		return xzBlockHeader{}, fmt.Errorf("%w: xz block header", ErrChecksum)
	}
	header, err := parseXZBlockHeader(body)
	if errors.Is(err, io.EOF) {
		err = fmt.Errorf("%w: xz block header", ErrMalformed)
	}
	header.headerBytes = int64(len(raw))
	return header, err
}

func parseXZBlockHeader(body []byte) (xzBlockHeader, error) {
	header := xzBlockHeader{packedBytes: -1, decodedBytes: -1}
	flags, fields := body[1], bytes.NewReader(body[2:])
	if flags&xzReservedFlags != 0 {
		return header, fmt.Errorf("%w: xz block flags %#x", ErrUnsupported, flags)
	}
	var err error
	if flags&xzPackedSizeFlag != 0 {
		if header.packedBytes, err = readXZNumber(fields); err != nil {
			return header, err
		}
	}
	if flags&xzDecodedSizeFlag != 0 {
		if header.decodedBytes, err = readXZNumber(fields); err != nil {
			return header, err
		}
	}
	if header.dictionaryBytes, err = readXZFilter(fields, int(flags&xzFilterCountMask)+1); err != nil {
		return header, err
	}
	if rest := body[len(body)-fields.Len():]; !allZero(rest) {
		return header, fmt.Errorf("%w: xz block header padding", ErrMalformed)
	}
	return header, nil
}

// readXZFilter takes the one filter that images are packed with, LZMA2, and gives the dictionary it asks for.
func readXZFilter(fields io.ByteReader, count int) (dictionaryBytes int64, err error) {
	id, err := readXZNumber(fields)
	if err != nil {
		return 0, err
	}
	if id != xzLZMA2Filter || count != 1 {
		return 0, fmt.Errorf("%w: xz filter %#x, first of %d", ErrUnsupported, id, count)
	}
	propertyBytes, err := readXZNumber(fields)
	if err != nil {
		return 0, err
	}
	property, err := fields.ReadByte()
	if err != nil {
		return 0, err
	}
	size, err := lzma.DecodeDictCap(property)
	if err != nil || propertyBytes != 1 {
		return 0, fmt.Errorf("%w: LZMA2 properties", ErrMalformed)
	}
	return size, nil
}
