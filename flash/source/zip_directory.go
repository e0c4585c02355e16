package source

import (
	"encoding/binary"
	"fmt"
	"math"
)

// checkDirectory reads the directory and the records behind it to the archive's last byte, and compares them with the
// members that were met: a reader that trusts the directory must see the same as one that trusts the headers.
func (z *zipReader) checkDirectory() error {
	byStart := make(map[int64]*zipEntry, len(z.entries))
	for i := range z.entries {
		byStart[z.entries[i].headerStart] = &z.entries[i]
	}
	start := z.in.offsetBytes()
	var listed uint64
	for {
		magic, err := z.in.Peek(4)
		if len(magic) < 4 {
			return noEOF(err)
		}
		if string(magic) != zipDirectoryMagic {
			break
		}
		if err := z.checkListed(byStart); err != nil {
			return err
		}
		listed++
	}
	if listed != uint64(len(z.entries)) {
		return fmt.Errorf("%w: the zip directory lists %d of %d members", ErrMalformed, listed, len(z.entries))
	}
	end := z.in.offsetBytes()
	return z.checkEnd(zipEnd{entries: listed, directoryBytes: uint64(end - start), directoryStart: uint64(start)})
}

// checkListed takes one entry of the directory:
//
//	magic 4, made by 2, version 2, flags 2, method 2, time 4, CRC-32 4, packed size 4, size 4, name length 2,
//	extra length 2, comment length 2, disk 2, attributes 6, header offset 4, name, extra, comment
func (z *zipReader) checkListed(byStart map[int64]*zipEntry) error {
	var raw [46]byte
	if err := z.in.full(raw[:]); err != nil {
		return err
	}
	name, extra, err := readZipNames(z.in, raw[28:30], raw[30:32])
	if err != nil {
		return err
	}
	if err := z.in.skip(int64(binary.LittleEndian.Uint16(raw[32:]))); err != nil {
		return err
	}
	sizes := zipSizes{
		packed:  uint64(binary.LittleEndian.Uint32(raw[20:])),
		decoded: uint64(binary.LittleEndian.Uint32(raw[24:])),
		offset:  uint64(binary.LittleEndian.Uint32(raw[42:])),
	}
	if _, err := sizes.widen(extra); err != nil {
		return err
	}
	const compared = zipEncryptedFlag | zipDescriptorFlag
	entry := byStart[int64(sizes.offset)]
	same := entry != nil && !entry.listed && entry.name == name &&
		entry.method == binary.LittleEndian.Uint16(raw[10:]) &&
		entry.flags&compared == binary.LittleEndian.Uint16(raw[8:])&compared &&
		entry.crc == binary.LittleEndian.Uint32(raw[16:]) &&
		entry.packedBytes == int64(sizes.packed) && entry.decodedBytes == int64(sizes.decoded)
	if !same {
		return fmt.Errorf("%w: the zip directory and the header disagree on %s", ErrMalformed, shown(name))
	}
	entry.listed = true
	return nil
}

// A zipEnd is what the end records say of the directory.
type zipEnd struct{ entries, directoryBytes, directoryStart uint64 }

// checkEnd takes the zip64 end record and its locator, if they are there, and the end record with its comment:
//
//	end:     magic 4, disk 2, directory's disk 2, entries here 2, entries 2, directory size 4, start 4, comment length 2
//	end 64:  magic 4, length of the rest 8, made by 2, version 2, disk 4, directory's disk 4, entries here 8, entries 8,
//	         directory size 8, start 8, more
//	locator: magic 4, end 64's disk 4, end 64's start 8, disks 4
func (z *zipReader) checkEnd(met zipEnd) error {
	wide, err := z.checkEnd64(met)
	if err != nil {
		return err
	}
	var raw [22]byte
	if err := z.in.full(raw[:]); err != nil {
		return err
	}
	short := func(at int) uint64 { return uint64(binary.LittleEndian.Uint16(raw[at:])) }
	long := func(at int) uint64 { return uint64(binary.LittleEndian.Uint32(raw[at:])) }
	sound := string(raw[:4]) == zipEndMagic &&
		agrees(short(4), 0, math.MaxUint16, wide) && agrees(short(6), 0, math.MaxUint16, wide) &&
		agrees(short(8), met.entries, math.MaxUint16, wide) && agrees(short(10), met.entries, math.MaxUint16, wide) &&
		agrees(long(12), met.directoryBytes, math.MaxUint32, wide) &&
		agrees(long(16), met.directoryStart, math.MaxUint32, wide)
	if !sound {
		return fmt.Errorf("%w: the zip end record", ErrMalformed)
	}
	return z.in.skip(int64(short(20)))
}

// agrees compares a field with what was met. All ones refer to the zip64 record where there is one.
func agrees(field, met, allOnes uint64, wide bool) bool {
	return field == met || wide && field == allOnes
}

func (z *zipReader) checkEnd64(met zipEnd) (present bool, err error) {
	magic, err := z.in.Peek(4)
	if len(magic) < 4 {
		return false, noEOF(err)
	}
	if string(magic) != zipEnd64Magic {
		return false, nil
	}
	start := uint64(z.in.offsetBytes())
	var end [56]byte
	if err := z.in.full(end[:]); err != nil {
		return true, err
	}
	moreBytes := binary.LittleEndian.Uint64(end[4:]) - 44 // what the fixed part leaves of the stated length
	if moreBytes > maxZipNameBytes {
		return true, fmt.Errorf("%w: length of the zip64 end record", ErrMalformed)
	}
	if err := z.in.skip(int64(moreBytes)); err != nil {
		return true, err
	}
	var locator [20]byte
	if err := z.in.full(locator[:]); err != nil {
		return true, err
	}
	long := binary.LittleEndian.Uint64
	sound := long(end[16:]) == 0 && long(end[24:]) == met.entries && long(end[32:]) == met.entries &&
		long(end[40:]) == met.directoryBytes && long(end[48:]) == met.directoryStart &&
		string(locator[:4]) == zipLocator64Magic && long(locator[8:]) == start &&
		binary.LittleEndian.Uint32(locator[4:]) == 0 && binary.LittleEndian.Uint32(locator[16:]) == 1
	if !sound {
		return true, fmt.Errorf("%w: the zip64 end record or its locator", ErrMalformed)
	}
	return true, nil
}
