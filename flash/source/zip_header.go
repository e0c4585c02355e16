package source

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
)

const (
	zipLocalMagic      = "PK\x03\x04"
	zipDirectoryMagic  = "PK\x01\x02"
	zipDescriptorMagic = "PK\x07\x08"
	zipEndMagic        = "PK\x05\x06"
	zipEnd64Magic      = "PK\x06\x06"
	zipLocator64Magic  = "PK\x06\x07"

	zipEncryptedFlag  = 1 << 0
	zipDescriptorFlag = 1 << 3
	zipPatchFlag      = 1 << 5
	zipMaskedFlag     = 1 << 13

	zipStored   = 0
	zipDeflated = 8

	zip64Extra = 0x0001
)

// A zipEntry is what a local header tells of a member. Where a descriptor follows the data, size and CRC-32 are known only
// behind it.
type zipEntry struct {
	name         string
	flags        uint16
	method       uint16
	crc          uint32
	packedBytes  int64
	decodedBytes int64
	headerStart  int64
	wide         bool // a zip64 field stands in the header
	listed       bool // the directory has named it
}

func (e *zipEntry) isDirectory() bool { return strings.HasSuffix(e.name, "/") }

// readZipLocal takes a local header:
//
//	magic 4, version 2, flags 2, method 2, time 4, CRC-32 4, packed size 4, size 4, name length 2, extra length 2,
//	name, extra
func readZipLocal(in *input) (zipEntry, error) {
	entry := zipEntry{headerStart: in.offsetBytes()}
	var raw [30]byte
	if err := in.full(raw[:]); err != nil {
		return entry, err
	}
	entry.flags = binary.LittleEndian.Uint16(raw[6:])
	entry.method = binary.LittleEndian.Uint16(raw[8:])
	entry.crc = binary.LittleEndian.Uint32(raw[14:])
	name, extra, err := readZipNames(in, raw[26:28], raw[28:30])
	if err != nil {
		return entry, err
	}
	entry.name = name
	sizes := zipSizes{
		packed:  uint64(binary.LittleEndian.Uint32(raw[18:])),
		decoded: uint64(binary.LittleEndian.Uint32(raw[22:])),
	}
	if entry.wide, err = sizes.widen(extra); err != nil {
		return entry, err
	}
	entry.packedBytes, entry.decodedBytes = int64(sizes.packed), int64(sizes.decoded)
	return entry, nil
}

// readZipNames takes a name and an extra field, each of a length that two bytes state.
func readZipNames(in *input, nameLength, extraLength []byte) (name string, extra []byte, err error) {
	lengthBytes := int(binary.LittleEndian.Uint16(nameLength))
	both := make([]byte, lengthBytes+int(binary.LittleEndian.Uint16(extraLength)))
	err = in.full(both)
	return string(both[:lengthBytes]), both[lengthBytes:], err
}

// zipSizes are the fields of a header that may be too small for their value.
type zipSizes struct{ packed, decoded, offset uint64 }

// widen takes from the zip64 field, in this order, each value that its own field marks as too large.
func (s *zipSizes) widen(extra []byte) (wide bool, err error) {
	field, wide, err := zipField(extra, zip64Extra)
	if err != nil {
		return wide, err
	}
	for _, value := range []*uint64{&s.decoded, &s.packed, &s.offset} {
		if wide && *value == math.MaxUint32 && len(field) >= 8 {
			*value = binary.LittleEndian.Uint64(field)
			field = field[8:]
		}
		if *value > math.MaxInt64 {
			return wide, fmt.Errorf("%w: zip size %d", ErrMalformed, *value)
		}
	}
	return wide, nil
}

// zipField finds a field among the extra ones: id 2, length 2, content. Odd bytes behind the last field are common practice
// and mean nothing.
func zipField(extra []byte, id uint16) (content []byte, found bool, err error) {
	for len(extra) >= 4 {
		lengthBytes := int(binary.LittleEndian.Uint16(extra[2:]))
		if lengthBytes > len(extra)-4 {
			return nil, false, fmt.Errorf("%w: zip extra field", ErrMalformed)
		}
		if binary.LittleEndian.Uint16(extra) == id {
			return extra[4 : 4+lengthBytes], true, nil
		}
		extra = extra[4+lengthBytes:]
	}
	return nil, false, nil
}
