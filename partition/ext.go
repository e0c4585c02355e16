package partition

// The ext2/3/4 superblock, 1024 bytes from byte 1024 on, after the kernel's Documentation/filesystems/ext4:
//
//	offset size                   offset size
//	00h    4  inodes              54h  4  first inode that is not reserved
//	04h    4  blocks              5Ch  4  compatible features
//	10h    4  free inodes         60h  4  incompatible features
//	14h    4  first block         64h  4  features that a reader may ignore ("read-only compatible")
//	18h    4  block bytes,        68h 16  UUID
//	          1024 << n           78h 16  label
//	20h    4  blocks of a group   FEh  2  bytes of a group's descriptor, with feature 80h
//	28h    4  inodes of a group   150h 4  blocks, upper half, with feature 80h
//	30h    4  last write, Unix    274h 1  last write, bits 32 to 39
//	34h    2  mounts since check  280h 4  inode of the orphan file
//	38h    2  53 EF
//	3Ah    2  state: 1 is clean
//	4Ch    4  revision: fields from 54h on count from 1 on
const (
	extSuperblockAt = 1024

	extHasJournal = 0x0004 // compatible

	extJournalDevice = 0x0008 // incompatible
	ext64Bit         = 0x0080

	// What ext2 and ext3 know; anything else makes the file system ext4. ext3 also knows a journal to be replayed.
	extOldReadOnly     = 0x0001 | 0x0002 | 0x0004 // sparse superblocks, large files, hashed directories
	extOldIncompatible = 0x0002 | 0x0010          // file types in directories, meta block groups
	extRecover         = 0x0004
	extMetaGroups      = 0x0010

	extOrphanFile = 0x1000 // compatible
)

func probeExt(v *volume) (*FileSystem, error) {
	b, err := v.bytes(extSuperblockAt, 1024)
	if b == nil || b[0x38] != 0x53 || b[0x39] != 0xEF {
		return nil, err
	}
	blocks, shift, incompatible := extBlocks(b), le32(b, 0x18), le32(b, 0x60)
	if blocks == 0 || shift > 6 || incompatible&extJournalDevice != 0 {
		return nil, nil
	}
	return &FileSystem{
		Kind: extKind(le32(b, 0x5C), incompatible, le32(b, 0x64)), Label: text8(b[0x78:0x88]),
		UUID: dashedUUID(b[0x68:0x78]), SizeBytes: sizeOf(blocks, 1024<<shift),
	}, nil
}

// extBlocks is how many blocks a superblock counts.
func extBlocks(b []byte) uint64 {
	blocks := le32(b, 0x04)
	if le32(b, 0x60)&ext64Bit != 0 {
		blocks |= le32(b, 0x150) << 32
	}
	return blocks
}

func extKind(compatible, incompatible, readOnly uint64) string {
	switch {
	case readOnly&^extOldReadOnly != 0:
		return "ext4"
	case compatible&extHasJournal == 0 && incompatible&^extOldIncompatible == 0:
		return "ext2"
	case compatible&extHasJournal != 0 && incompatible&^(extOldIncompatible|extRecover) == 0:
		return "ext3"
	default:
		return "ext4"
	}
}
