package xz

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
)

const (
	filterCountMask = 0x03
	reservedFlags   = 0x3c
	packedSizeFlag  = 0x40
	decodedSizeFlag = 0x80
	maxFilters      = 4
	lzma2ID         = 0x21
	notStated       = -1
	// maxUnpaddedBytes is the largest size of a block that an index can state and that can be padded.
	maxUnpaddedBytes = 1<<63 - 4
)

// A blockHeader is what stands before a block's data. Sizes are notStated where they are left out.
type blockHeader struct {
	headerBytes     int64
	packedBytes     int64
	decodedBytes    int64
	dictionaryBytes int64
	filters         []filter // as they were applied in packing, without LZMA2, at their start
}

// A filterSpec says which filter, and how.
type filterSpec struct {
	id         int64
	properties []byte
}

// takeBlockHeader reads size 1, flags 1, sizes if stated, filters, zeros, CRC-32 4.
// What it gives of the bytes stays until more is looked at.
func takeBlockHeader(in *input, maxDictionaryBytes int64) (blockHeader, []byte, error) {
	first, err := in.full(1)
	if err != nil {
		return blockHeader{}, nil, err
	}
	raw, err := in.full((int(first[0]) + 1) * 4)
	if err != nil {
		return blockHeader{}, nil, err
	}
	body := raw[:len(raw)-4]
	if binary.LittleEndian.Uint32(raw[len(body):]) != crc32.ChecksumIEEE(body) {
		return blockHeader{}, nil, fmt.Errorf("%w: block header", ErrChecksum)
	}
	header, err := parseBlockHeader(body)
	if err != nil {
		return blockHeader{}, nil, err
	}
	if header.dictionaryBytes > maxDictionaryBytes {
		return blockHeader{}, nil, fmt.Errorf("%w: %d bytes, at most %d are",
			ErrDictionary, header.dictionaryBytes, maxDictionaryBytes)
	}
	header.headerBytes = int64(len(raw))
	in.take(len(raw))
	return header, raw, nil
}

func parseBlockHeader(body []byte) (blockHeader, error) {
	header := blockHeader{packedBytes: notStated, decodedBytes: notStated}
	flags, rest := body[1], fields(body[2:])
	if flags&reservedFlags != 0 {
		return header, fmt.Errorf("%w: block flags %#x", ErrUnsupported, flags)
	}
	var err error
	if flags&packedSizeFlag != 0 {
		if header.packedBytes, err = rest.number(); err != nil {
			return header, err
		}
		if header.packedBytes == 0 || header.packedBytes > maxUnpaddedBytes-int64(len(body))-4-maxCheckBytes {
			return header, malformed("a block's packed size")
		}
	}
	if flags&decodedSizeFlag != 0 {
		if header.decodedBytes, err = rest.number(); err != nil {
			return header, err
		}
	}
	if err := header.parseFilters(&rest, int(flags&filterCountMask)+1); err != nil {
		return header, err
	}
	if !allZero(rest) {
		return header, malformed("padding of a block header")
	}
	return header, nil
}

// parseFilters reads a chain: LZMA2 must be its last filter, and stand nowhere else.
func (h *blockHeader) parseFilters(rest *fields, count int) error {
	for i := range count {
		id, err := rest.number()
		if err != nil {
			return err
		}
		propertyBytes, err := rest.number()
		if err != nil {
			return err
		}
		properties, err := rest.bytes(propertyBytes)
		if err != nil {
			return err
		}
		last := i == count-1
		switch {
		case last && id == lzma2ID:
			if h.dictionaryBytes, err = dictionaryBytes(properties); err != nil {
				return err
			}
		case last, id == lzma2ID:
			return fmt.Errorf("%w: filter %#x, number %d of %d", ErrUnsupported, id, i+1, count)
		default:
			f, err := newFilter(filterSpec{id, properties})
			if err != nil {
				return err
			}
			h.filters = append(h.filters, f)
		}
	}
	return nil
}

// dictionaryBytes reads LZMA2's properties: one byte for 2^n or 3*2^n, from 4 KiB to 4 GiB less one.
func dictionaryBytes(properties []byte) (int64, error) {
	if len(properties) != 1 {
		return 0, malformed("LZMA2 properties of another length than 1")
	}
	const largest = 40
	switch b := properties[0]; {
	case b > largest:
		return 0, fmt.Errorf("%w: LZMA2 properties %#x", ErrUnsupported, b)
	case b == largest:
		return 1<<32 - 1, nil
	default:
		return int64(2|b&1) << (b/2 + 11), nil
	}
}
