package partition

import "encoding/binary"

// More of the superblock than probeExt needs, after the kernel's Documentation/filesystems/ext4 (from memory, and held against
// dumpe2fs):
//
//	offset size                        offset size
//	00h    4  inodes                   CEh    2  blocks reserved for descriptors
//	0Ch    4  free blocks              E0h    4  inode of the journal
//	14h    4  first block: 1 where     E4h    4  device of the journal
//	          blocks have 1024 bytes   E8h    4  first orphan
//	1Ch    4  as 18h, of a cluster     FEh    2  bytes of a descriptor, with feature 80h
//	20h    4  blocks of a group        104h   4  first meta group, with feature 10h
//	28h    4  inodes of a group        158h   4  free blocks, upper half
//	3Ah    2  state: 1 clean, 2 errors 175h   1  kind of checksums: 1
//	4Ch    4  revision                 194h   4  errors counted
//	58h    2  bytes of an inode        24Ch 2*4  groups with backups, with compatible feature 200h
//	5Ah    2  group of this copy: 0    270h   4  seed of checksums, with feature 2000h
//	                                   3FCh   4  CRC32C of all before it
const (
	// The features that are understood here and tried in tests: none of them changes what a bitmap means. Missing on purpose are,
	// among others, clusters (200h), a journal to be replayed (4h), orphans to be removed (10000h) and shared blocks (4000h).
	extKnownCompatible   = extHasJournal | 0x0008 | 0x0010 | 0x0020 | extSparseTwo | 0x0400 | 0x0800 | 0x1000
	extKnownIncompatible = 0x0002 | extMetaGroups | 0x0040 | ext64Bit | 0x0200 | 0x0400 | extSeeded | 0x4000 | 0x10000 | 0x20000
	extKnownReadOnly     = extSparse | 0x0002 | 0x0008 | extSumsOfGroups | 0x0020 | 0x0040 | extSums | 0x8000

	extSparseTwo    = 0x0200 // compatible: two backups, in named groups
	extSeeded       = 0x2000 // incompatible
	extSparse       = 0x0001 // read-only compatible: backups in few groups
	extSumsOfGroups = 0x0010 // read-only compatible: CRC16 of group descriptors
	extSums         = 0x0400 // read-only compatible: CRC32C of everything

	extClean         = 1
	extMinGroup      = 256 // blocks; mke2fs makes none smaller
	maxExtGroups     = 1 << 17
	extDescBytes     = 32
	extDesc64Bytes   = 64
	extMaxDescBytes  = 1024
	extMinInodeBytes = 128
)

// An extLayout is what a superblock tells of where things are, checked: all blocks lie within the volume.
type extLayout struct {
	blockBytes, blocks, firstBlock, free uint64
	perGroup, groups                     uint64 // blocks of a group; the last may be shorter
	inodeBlocks                          uint64 // of one group's inode table
	descBytes, descPerBlock              uint64
	descBlocks, reservedDescs            uint64
	firstMeta                            uint64 // the first block of descriptors that lies in its own meta group
	sparse, sparseTwo                    bool
	backups                              [2]uint64
	sums                                 extChecksums
}

// decodeExtLayout gives false where a superblock is not one of a clean file system whose features are all known here.
func decodeExtLayout(b []byte, volumeBytes uint64) (extLayout, bool) {
	compatible, incompatible, readOnly := le32(b, 0x5C), le32(b, 0x60), le32(b, 0x64)
	unknown := compatible&^extKnownCompatible | incompatible&^extKnownIncompatible | readOnly&^extKnownReadOnly
	journal := compatible&extHasJournal != 0
	if unknown != 0 || le32(b, 0x4C) != 1 || le16(b, 0x5A) != 0 || le16(b, 0x3A) != extClean || le32(b, 0xE8) != 0 ||
		le32(b, 0x194) != 0 || journal != (le32(b, 0xE0) != 0) || le32(b, 0xE4) != 0 {
		return extLayout{}, false
	}
	x := extLayout{
		blocks: extBlocks(b), free: le32(b, 0x0C), firstBlock: le32(b, 0x14), perGroup: le32(b, 0x20), descBytes: extDescBytes,
		reservedDescs: le16(b, 0xCE), sparse: readOnly&extSparse != 0, sparseTwo: compatible&extSparseTwo != 0,
		backups: [2]uint64{le32(b, 0x24C), le32(b, 0x250)},
	}
	if incompatible&ext64Bit != 0 {
		x.free |= le32(b, 0x158) << 32
		x.descBytes = le16(b, 0xFE)
		if x.descBytes < extDesc64Bytes || x.descBytes > extMaxDescBytes || !isPowerOfTwo(x.descBytes) {
			return x, false
		}
	}
	var ok bool
	if x.sums, ok = extChecksumsOf(b, incompatible, readOnly); !ok || !x.measure(b, volumeBytes) {
		return x, false
	}
	x.firstMeta = x.descBlocks
	if incompatible&extMetaGroups != 0 {
		x.firstMeta = min(le32(b, 0x104), x.descBlocks)
	}
	return x, true
}

// measure takes the sizes, and says whether they fit together and into the volume.
func (x *extLayout) measure(b []byte, volumeBytes uint64) bool {
	shift := le32(b, 0x18)
	if shift > 6 || le32(b, 0x1C) != shift || le32(b, 0x24) != x.perGroup {
		return false
	}
	x.blockBytes = 1024 << shift
	first := uint64(0)
	if shift == 0 {
		first = 1
	}
	if x.firstBlock != first || x.blocks <= first || x.blocks > volumeBytes/x.blockBytes ||
		x.perGroup < extMinGroup || x.perGroup%8 != 0 || x.perGroup > 8*x.blockBytes {
		return false
	}
	x.groups = ceil(x.blocks-first, x.perGroup)
	inodes, inodeBytes := le32(b, 0x28), le16(b, 0x58)
	if x.groups > maxExtGroups || inodes == 0 || inodes*x.groups != le32(b, 0x00) || inodeBytes < extMinInodeBytes ||
		inodeBytes > x.blockBytes || !isPowerOfTwo(inodeBytes) {
		return false
	}
	x.inodeBlocks = ceil(inodes*inodeBytes, x.blockBytes)
	x.descPerBlock = x.blockBytes / x.descBytes
	x.descBlocks = ceil(x.groups, x.descPerBlock)
	return x.inodeBlocks <= x.perGroup
}

func ceil(n, unit uint64) uint64 { return (n + unit - 1) / unit }

// start is a group's first block.
func (x *extLayout) start(group uint64) uint64 { return x.firstBlock + group*x.perGroup }

// hasSuper tells whether a group begins with the superblock or a backup of it.
func (x *extLayout) hasSuper(group uint64) bool {
	switch {
	case group == 0:
		return true
	case x.sparseTwo:
		return group == x.backups[0] || group == x.backups[1]
	case group == 1 || !x.sparse:
		return true
	}
	return isPowerOf(3, group) || isPowerOf(5, group) || isPowerOf(7, group)
}

func isPowerOf(base, n uint64) bool {
	for n%base == 0 {
		n /= base
	}
	return n == 1
}

// descBlock is where the i-th block of descriptors lies: behind the superblock, or in its own meta group.
func (x *extLayout) descBlock(i uint64) uint64 {
	if i < x.firstMeta {
		return x.firstBlock + 1 + i
	}
	return x.metaDescBlock(i * x.descPerBlock)
}

// metaDescBlock is where a group of a meta group keeps its copy of the descriptors.
func (x *extLayout) metaDescBlock(group uint64) uint64 {
	if x.hasSuper(group) {
		return x.start(group) + 1
	}
	return x.start(group)
}

// base is what a group begins with: superblock and descriptors, or backups of them, in blocks.
func (x *extLayout) base(group uint64) span {
	start, end := x.start(group), x.start(group)
	if x.hasSuper(group) {
		end++
	}
	switch meta, within := group/x.descPerBlock, group%x.descPerBlock; {
	case meta < x.firstMeta:
		if x.hasSuper(group) {
			end += x.firstMeta + x.reservedDescs
		}
	case within == 0 || within == 1 || within == x.descPerBlock-1:
		end++
	}
	return span{int64(start), int64(end)}
}

// A group descriptor, from the same source:
//
//	offset size                     offset size
//	00h    4  block of its bitmap   18h    2  CRC32C of the bitmap, lower half; upper half at 38h
//	04h    4  of inodes' bitmap     1Eh    2  checksum of this
//	08h    4  of inodes' table      20h    4  bitmap, upper half; 24h, 28h of the others
//	0Ch    2  free blocks           2Ch    2  free blocks, upper half
//	12h    2  flags: 2h: the bitmap was never written, all but structures is free
const extUnwritten = 0x0002

type extGroup struct {
	number, bitmap, inodeBitmap, inodeTable, free uint64
	unwritten                                     bool
	bitmapSum                                     uint32
}

func (x *extLayout) decodeGroup(number uint64, b []byte) extGroup {
	g := extGroup{
		number: number, bitmap: le32(b, 0x00), inodeBitmap: le32(b, 0x04), inodeTable: le32(b, 0x08), free: le16(b, 0x0C),
		unwritten: le16(b, 0x12)&extUnwritten != 0, bitmapSum: uint32(binary.LittleEndian.Uint16(b[0x18:])),
	}
	if x.descBytes >= extDesc64Bytes {
		g.bitmap |= le32(b, 0x20) << 32
		g.inodeBitmap |= le32(b, 0x24) << 32
		g.inodeTable |= le32(b, 0x28) << 32
		g.free |= le16(b, 0x2C) << 16
		g.bitmapSum |= uint32(binary.LittleEndian.Uint16(b[0x38:])) << 16
	}
	return g
}

// structures are the parts of a group that never are free, wherever they lie; false where they leave the file system.
func (x *extLayout) structures(g extGroup) ([]span, bool) {
	within := func(start, count uint64) bool {
		return start >= x.firstBlock && start < x.blocks && count <= x.blocks-start
	}
	base := x.base(g.number)
	if base.end > int64(x.blocks) || !within(g.bitmap, 1) || !within(g.inodeBitmap, 1) || !within(g.inodeTable, x.inodeBlocks) {
		return nil, false
	}
	parts := []span{
		{int64(g.bitmap), int64(g.bitmap) + 1},
		{int64(g.inodeBitmap), int64(g.inodeBitmap) + 1},
		{int64(g.inodeTable), int64(g.inodeTable + x.inodeBlocks)},
	}
	if base.start < base.end {
		parts = append(parts, base)
	}
	return parts, true
}
