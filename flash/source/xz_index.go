package source

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"math"
)

// An xzIndexSum stands for a list of blocks without keeping it: a hostile file may list millions.
type xzIndexSum struct {
	blocks int64
	digest hash.Hash
}

func newXZIndexSum() xzIndexSum { return xzIndexSum{digest: sha256.New()} }

func (s *xzIndexSum) add(unpaddedBytes, decodedBytes int64) {
	var record [16]byte
	binary.LittleEndian.PutUint64(record[:], uint64(unpaddedBytes))
	binary.LittleEndian.PutUint64(record[8:], uint64(decodedBytes))
	s.digest.Write(record[:])
	s.blocks++
}

func (s *xzIndexSum) same(other xzIndexSum) bool {
	return s.blocks == other.blocks && [sha256.Size]byte(s.digest.Sum(nil)) == [sha256.Size]byte(other.digest.Sum(nil))
}

// checkXZIndex takes an index and compares it with the blocks that came before it.
func checkXZIndex(in *input, blocks xzIndexSum) (indexBytes int64, err error) {
	listed := newXZIndexSum()
	indexBytes, err = readXZIndex(in, func(unpaddedBytes, decodedBytes int64) error {
		listed.add(unpaddedBytes, decodedBytes)
		if listed.blocks > blocks.blocks {
			return fmt.Errorf("%w: the xz index lists more blocks than there are", ErrMalformed)
		}
		return nil
	})
	if err == nil && !listed.same(blocks) {
		err = fmt.Errorf("%w: the xz index disagrees with the blocks", ErrMalformed)
	}
	return indexBytes, err
}

// readXZIndex takes an index: a zero 1, the number of records, records, zeros to a multiple of 4, CRC-32 4.
func readXZIndex(in io.ByteReader, record func(unpaddedBytes, decodedBytes int64) error) (indexBytes int64, err error) {
	counted := &crcReader{in: in}
	if indicator, err := counted.ReadByte(); err != nil || indicator != 0 {
		return 0, indexError(err, "indicator")
	}
	count, err := readXZNumber(counted)
	if err != nil {
		return 0, noEOF(err)
	}
	for range count {
		unpadded, err := readXZNumber(counted)
		if err != nil {
			return 0, noEOF(err)
		}
		decoded, err := readXZNumber(counted)
		if err != nil {
			return 0, noEOF(err)
		}
		if err := record(unpadded, decoded); err != nil {
			return 0, err
		}
	}
	for counted.taken%4 != 0 {
		if b, err := counted.ReadByte(); err != nil || b != 0 {
			return 0, indexError(err, "padding")
		}
	}
	return counted.taken + 4, checkXZIndexCRC(in, counted.crc)
}

func checkXZIndexCRC(in io.ByteReader, want uint32) error {
	var stored [4]byte
	for i := range stored {
		b, err := in.ReadByte()
		if err != nil {
			return noEOF(err)
		}
		stored[i] = b
	}
	if binary.LittleEndian.Uint32(stored[:]) != want {
		return fmt.Errorf("%w: xz index", ErrChecksum)
	}
	return nil
}

func indexError(err error, what string) error {
	if err != nil {
		return noEOF(err)
	}
	return fmt.Errorf("%w: xz index %s", ErrMalformed, what)
}

// A crcReader counts and sums what it hands on.
type crcReader struct {
	in    io.ByteReader
	taken int64
	crc   uint32
}

func (c *crcReader) ReadByte() (byte, error) {
	b, err := c.in.ReadByte()
	if err == nil {
		c.taken++
		c.crc = crc32.Update(c.crc, crc32.IEEETable, []byte{b})
	}
	return b, err
}

// readXZNumber takes a number of at most 9 bytes, 7 bits in each, lowest first, the last without its high bit set.
func readXZNumber(in io.ByteReader) (int64, error) {
	var value int64
	for shift := 0; shift < 63; shift += 7 {
		b, err := in.ReadByte()
		if err != nil {
			return 0, err
		}
		value |= int64(b&0x7f) << shift
		if b&0x80 == 0 {
			if b == 0 && shift > 0 {
				break // a superfluous byte: the same number in more bytes
			}
			return value, nil
		}
	}
	return 0, fmt.Errorf("%w: xz number", ErrMalformed)
}

// planXZ adds up what the indexes of all streams state, from the file's end backwards; -1 where that is not possible.
func planXZ(file io.ReaderAt, sizeBytes int64) int64 {
	if file == nil {
		return -1
	}
	var total int64
	for end := sizeBytes; end > 0; {
		stream, ok := planXZStream(file, end)
		switch {
		case !ok, total > math.MaxInt64-stream.decodedBytes:
			return -1
		case stream.padding:
			end -= xzPaddingBytes
			continue
		}
		total += stream.decodedBytes
		end = stream.start
	}
	return total
}

// An xzPlan is what a stream's index states; or four bytes of padding instead of a stream.
type xzPlan struct {
	start        int64
	decodedBytes int64
	padding      bool
}

// planXZStream reads footer and index of the stream that ends there.
func planXZStream(file io.ReaderAt, end int64) (xzPlan, bool) {
	var raw [xzFooterBytes]byte
	if end < xzHeaderBytes+xzFooterBytes {
		return xzPlan{}, false
	}
	if _, err := file.ReadAt(raw[:], end-xzFooterBytes); err != nil {
		return xzPlan{}, false
	}
	if allZero(raw[8:]) {
		return xzPlan{padding: true}, true
	}
	footer, err := parseXZFooter(raw)
	indexStart := end - xzFooterBytes - footer.indexBytes
	if err != nil || indexStart < xzHeaderBytes {
		return xzPlan{}, false
	}
	var blocks, decoded int64
	index := bufio.NewReader(io.NewSectionReader(file, indexStart, footer.indexBytes))
	_, err = readXZIndex(index, func(unpaddedBytes, decodedBytes int64) error {
		if unpaddedBytes > indexStart-blocks || decodedBytes > math.MaxInt64-decoded {
			return ErrMalformed
		}
		blocks += (unpaddedBytes + 3) &^ 3
		decoded += decodedBytes
		return nil
	})
	start := indexStart - blocks - xzHeaderBytes
	if err != nil || start < 0 {
		return xzPlan{}, false
	}
	return xzPlan{start: start, decodedBytes: decoded}, true
}
