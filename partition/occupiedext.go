package partition

import "fmt"

const (
	extFirstInode = 11      // of revision 0, and of all there are
	extMostGroups = 1 << 16 // 8 TiB in groups of 128 MiB
)

// extCounts are the numbers that tell whether an ext2/3/4 holds files.
type extCounts struct {
	inodes, freeInodes, blocks, firstBlock, blockBytes, groupBlocks, groupInodes, descriptorBytes, state uint64

	fresh        uint64 // inodes in use right after it was made: the reserved ones, lost+found, and an orphan file where it has one
	incompatible uint64
}

func decodeExtCounts(b []byte) extCounts {
	x := extCounts{
		inodes: le32(b, 0x00), blocks: extBlocks(b), freeInodes: le32(b, 0x10), firstBlock: le32(b, 0x14),
		blockBytes: 1024 << min(le32(b, 0x18), 6), groupBlocks: le32(b, 0x20), groupInodes: le32(b, 0x28),
		state: le16(b, 0x3A), fresh: extFirstInode, descriptorBytes: extDescBytes, incompatible: le32(b, 0x60),
	}
	if le32(b, 0x4C) > 0 {
		x.fresh = le32(b, 0x54)
	}
	if le32(b, 0x5C)&extOrphanFile != 0 {
		x.fresh++
	}
	if x.incompatible&ext64Bit != 0 {
		x.descriptorBytes = le16(b, 0xFE)
	}
	return x
}

// groups gives how many groups of blocks there are, or 0 where the numbers do not fit together.
func (x *extCounts) groups() uint64 {
	if x.groupBlocks == 0 || x.groupInodes == 0 || x.blocks <= x.firstBlock || x.descriptorBytes < extDescBytes || x.descriptorBytes > extMaxDescBytes ||
		!isPowerOfTwo(x.descriptorBytes) {
		return 0
	}
	groups := (x.blocks-x.firstBlock-1)/x.groupBlocks + 1
	if groups > extMostGroups || groups*x.groupInodes != x.inodes {
		return 0
	}
	return groups
}

// descriptorsAt is where the groups' descriptors begin: in the block after the superblock's.
func (x *extCounts) descriptorsAt() uint64 { return (x.firstBlock + 1) * x.blockBytes }

// extHolds looks for files on an ext2/3/4 by the inodes in use. Superblock and descriptors must tell the same: after a card was
// pulled, the one may know of files of which the other does not.
func extHolds(v *volume) (Holds, string, error) {
	b, err := v.bytes(extSuperblockAt, 1024)
	if err != nil {
		return "", "", err
	}
	if b == nil {
		return unknown("its superblock does not lie on the medium")
	}
	x := decodeExtCounts(b)
	groups := x.groups()
	switch {
	case x.incompatible&extMetaGroups != 0:
		return unknown("its groups' descriptors are not in one place")
	case groups == 0 || x.freeInodes > x.inodes || x.fresh != extFirstInode && x.fresh != extFirstInode+1:
		return unknown("its superblock makes no sense: %d inodes, %d of them free, %d blocks", x.inodes, x.freeInodes, x.blocks)
	}
	free, folders, whole, err := x.counted(v, groups)
	used := x.inodes - x.freeInodes
	switch {
	case err != nil:
		return "", "", err
	case used > x.fresh:
		return HoldsFiles, fmt.Sprintf("%d inodes in use, %d when it was made", used, x.fresh), nil
	case !whole:
		return unknown("its groups' descriptors do not lie on the medium as a whole")
	case x.state != extClean || x.incompatible&extRecover != 0:
		return unknown("it was not taken out cleanly: state %d, features %x", x.state, x.incompatible)
	case free != x.freeInodes || used != x.fresh || folders != 2:
		return unknown("its superblock counts %d free inodes, its groups %d and %d directories", x.freeInodes, free, folders)
	}
	return HoldsNothing, fmt.Sprintf("%d of %d inodes in use, as when it was made", used, x.inodes), nil
}

// counted sums up what the groups' descriptors tell: free inodes at 0Eh and directories at 10h, with upper halves at 2Eh and 30h
// in those of 64 bytes. A file system that was just made has two directories, the root and lost+found.
func (x *extCounts) counted(v *volume, groups uint64) (free, folders uint64, whole bool, err error) {
	whole, err = v.each(x.descriptorsAt(), groups*x.descriptorBytes, func(piece []byte) {
		for ; uint64(len(piece)) >= x.descriptorBytes; piece = piece[x.descriptorBytes:] {
			free, folders = free+le16(piece, 0x0E), folders+le16(piece, 0x10)
			if x.descriptorBytes >= extDesc64Bytes {
				free, folders = free+le16(piece, 0x2E)<<16, folders+le16(piece, 0x30)<<16
			}
		}
	})
	return free, folders, whole, err
}
