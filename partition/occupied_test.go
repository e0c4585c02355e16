package partition_test

import (
	"encoding/binary"
	"unicode/utf16"
)

// exfatRoot is the first byte of an exFAT's root directory.
func exfatRoot(b []byte) int {
	sectorShift, clusterShift := b[0x6C], b[0x6D]
	heap, root := binary.LittleEndian.Uint32(b[0x58:]), binary.LittleEndian.Uint32(b[0x60:])
	return int(heap)<<sectorShift + int(root-2)<<(sectorShift+clusterShift)
}

// putExFATFile adds an empty file to an exFAT's root directory, after Microsoft's "exFAT file system specification": 6.3.3 and
// 7.6.4 for the sums, 7.4, 7.6 and 7.7 for the three entries.
func putExFATFile(content []byte, name string) {
	at := exfatRoot(content)
	for content[at] != 0 {
		at += 32
	}
	set, units := content[at:][:96], utf16.Encode([]rune(name))
	set[0], set[1], set[4] = 0x85, 2, 0x20
	set[32], set[33], set[35] = 0xC0, 0x01, byte(len(units))
	set[64] = 0xC1
	var hash uint16
	for i, unit := range units {
		binary.LittleEndian.PutUint16(set[66+2*i:], unit)
		if unit >= 'a' && unit <= 'z' {
			unit -= 'a' - 'A'
		}
		for _, value := range []byte{byte(unit), byte(unit >> 8)} {
			hash = hash<<15 + hash>>1 + uint16(value)
		}
	}
	binary.LittleEndian.PutUint16(set[36:], hash)
	for _, moment := range []int{8, 12, 16} {
		binary.LittleEndian.PutUint32(set[moment:], 1<<21|1<<16) // 1980-01-01
	}
	var sum uint16
	for i, value := range set {
		if i != 2 && i != 3 {
			sum = sum<<15 + sum>>1 + uint16(value)
		}
	}
	binary.LittleEndian.PutUint16(set[2:], sum)
}
