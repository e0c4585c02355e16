package partition

import "hash/crc32"

// The checksums of ext4, after the kernel's Documentation/filesystems/ext4, "Checksums" (from memory, and held against what
// mke2fs writes). CRC32C is taken without the inversions at its start and end; it starts from a seed, which is the CRC32C of the
// file system's UUID where the superblock holds none. CRC16 is that of the polynomial 8005h, reflected, from FFFFh.

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// An extChecksums checks what of a file system has checksums: with CRC32C all that matters here, with CRC16 the group
// descriptors, else nothing.
type extChecksums struct {
	full, ofGroups bool
	seed           uint32
	uuid           []byte
}

// extChecksumsOf takes what a superblock tells of checksums, and says whether its own is right.
func extChecksumsOf(b []byte, incompatible, readOnly uint64) (extChecksums, bool) {
	s := extChecksums{full: readOnly&extSums != 0, ofGroups: readOnly&extSumsOfGroups != 0, uuid: b[0x68:0x78]}
	if !s.full {
		return s, incompatible&extSeeded == 0
	}
	s.seed = rawCRC32C(^uint32(0), s.uuid)
	if incompatible&extSeeded != 0 {
		s.seed = uint32(le32(b, 0x270))
	}
	sound := b[0x175] == 1 && rawCRC32C(^uint32(0), b[:0x3FC]) == uint32(le32(b, 0x3FC))
	return s, sound && !s.ofGroups // both kinds at once belong to no sound file system
}

// known tells whether descriptors have checksums at all: only then may they say that a bitmap was never written.
func (s *extChecksums) known() bool { return s.full || s.ofGroups }

// groupSound checks one descriptor.
func (s *extChecksums) groupSound(number uint64, descriptor []byte) bool {
	stored := uint16(le16(descriptor, 0x1E))
	group := []byte{byte(number), byte(number >> 8), byte(number >> 16), byte(number >> 24)}
	switch {
	case s.full:
		sum := rawCRC32C(rawCRC32C(s.seed, group), descriptor[:0x1E])
		return uint16(rawCRC32C(rawCRC32C(sum, []byte{0, 0}), descriptor[0x20:])) == stored
	case s.ofGroups:
		sum := crc16(crc16(crc16(^uint16(0), s.uuid), group), descriptor[:0x1E])
		return crc16(sum, descriptor[0x20:]) == stored
	}
	return true
}

// bitmapSound checks one bitmap. A short descriptor holds the lower half of its checksum alone.
func (s *extChecksums) bitmapSound(stored uint32, descBytes uint64, bitmap []byte) bool {
	if !s.full {
		return true
	}
	sum := rawCRC32C(s.seed, bitmap)
	if descBytes < extDesc64Bytes {
		sum &= 0xFFFF
	}
	return sum == stored
}

// rawCRC32C goes on with a CRC32C that is not inverted.
func rawCRC32C(seed uint32, b []byte) uint32 { return ^crc32.Update(^seed, castagnoli, b) }

func crc16(sum uint16, b []byte) uint16 {
	for _, value := range b {
		sum ^= uint16(value)
		for range 8 {
			odd := sum & 1
			sum >>= 1
			if odd != 0 {
				sum ^= 0xA001
			}
		}
	}
	return sum
}
