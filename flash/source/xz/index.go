package xz

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"hash/maphash"
)

// smallestUnpaddedBytes is what the smallest block takes: a header of 8 would not hold a filter, but the format says 5.
const smallestUnpaddedBytes = 5

// A record is what an index says of a block: header, packed data and check without padding, and what it decodes to.
type record struct{ unpaddedBytes, decodedBytes int64 }

// A listSum stands for a list of blocks without keeping it: a hostile file may list millions. The seed is drawn anew for each
// stream, so that no file can be made to have two lists of one sum.
type listSum struct {
	seed   maphash.Seed
	blocks int64
	sum    uint64
}

func newListSum() listSum { return listSum{seed: maphash.MakeSeed()} }

// with gives the sum of the list that has one more block.
func (s listSum) with(r record) listSum {
	type link struct {
		before uint64
		record record
	}
	s.sum = maphash.Comparable(s.seed, link{s.sum, r})
	s.blocks++
	return s
}

// takeIndex reads the index that must list the blocks which came before it, and gives its length.
func takeIndex(in *input, blocks listSum) (int64, error) {
	listed := listSum{seed: blocks.seed}
	indexBytes, err := eachRecord(in, func(r record) error {
		listed = listed.with(r)
		if listed.blocks > blocks.blocks {
			return malformed("the index lists more blocks than there are")
		}
		return nil
	})
	if err == nil && listed != blocks {
		err = malformed("the index disagrees with the blocks")
	}
	return indexBytes, err
}

// An indexReader counts and sums what it takes.
type indexReader struct {
	in         *input
	takenBytes int64
	crc        uint32
}

// eachRecord reads an index: a zero 1, the number of records, records, zeros to a multiple of 4, CRC-32 4.
func eachRecord(in *input, visit func(record) error) (indexBytes int64, err error) {
	x := indexReader{in: in}
	if err := x.zeros(1); err != nil {
		return 0, err
	}
	count, err := x.number()
	if err != nil {
		return 0, err
	}
	for range count {
		var r record
		if r.unpaddedBytes, err = x.number(); err != nil {
			return 0, err
		}
		if r.decodedBytes, err = x.number(); err != nil {
			return 0, err
		}
		if r.unpaddedBytes < smallestUnpaddedBytes || r.unpaddedBytes > maxUnpaddedBytes {
			return 0, malformed("a block's size in the index")
		}
		if err := visit(r); err != nil {
			return 0, err
		}
	}
	if err := x.zeros(int(-x.takenBytes & 3)); err != nil {
		return 0, err
	}
	return x.takenBytes + 4, x.finish()
}

func (x *indexReader) take(b []byte) {
	x.crc = crc32.Update(x.crc, crc32.IEEETable, b)
	x.takenBytes += int64(len(b))
	x.in.take(len(b))
}

func (x *indexReader) number() (int64, error) {
	next := x.in.peek(maxNumberBytes)
	value, n, err := number(next)
	if errors.Is(err, errCut) {
		err = x.in.failure()
	}
	if err != nil {
		return 0, err
	}
	x.take(next[:n])
	return value, nil
}

func (x *indexReader) zeros(n int) error {
	next, err := x.in.full(n)
	if err != nil {
		return err
	}
	if !allZero(next) {
		return malformed("padding of the index")
	}
	x.take(next)
	return nil
}

func (x *indexReader) finish() error {
	stored, err := x.in.full(4)
	if err != nil {
		return err
	}
	if binary.LittleEndian.Uint32(stored) != x.crc {
		return fmt.Errorf("%w: index", ErrChecksum)
	}
	x.in.take(4)
	return nil
}
