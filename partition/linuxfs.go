package partition

import (
	"bytes"
	"encoding/binary"
)

// XFS, big-endian, from byte 0 (XFS "Filesystem Structure", superblock): "XFSB"; 04h 4 block bytes; 08h 8 blocks;
// 20h 16 UUID; 6Ch 12 label. The size told is the whole extent, an internal log included.
func probeXFS(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0, 512)
	if b == nil || !bytes.HasPrefix(b, []byte("XFSB")) {
		return nil, err
	}
	blockBytes := be32(b, 0x04)
	if blockBytes < 512 || blockBytes > 65536 || !isPowerOfTwo(blockBytes) {
		return nil, nil
	}
	return &FileSystem{
		Kind: "xfs", Label: text8(b[0x6C:0x78]), UUID: dashedUUID(b[0x20:0x30]),
		SizeBytes: sizeOf(be64(b, 0x08), blockBytes),
	}, nil
}

// Btrfs, from byte 10000h (kernel, btrfs on-disk format): 20h 16 file-system UUID; 40h "_BHRfS_M"; 70h 8 bytes of all
// devices; 88h 8 devices; D1h 8 bytes of this device; 12Bh 256 label.
func probeBtrfs(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0x10000, 4096)
	if b == nil || !bytes.HasPrefix(b[0x40:], []byte("_BHRfS_M")) {
		return nil, err
	}
	size := le64(b, 0x70)
	if le64(b, 0x88) > 1 { // the total of several devices says nothing about this one
		size = le64(b, 0xD1)
	}
	return &FileSystem{
		Kind: "btrfs", Label: text8(b[0x12B:0x22B]), UUID: dashedUUID(b[0x20:0x30]),
		SizeBytes: sizeOf(size, 1),
	}, nil
}

// F2FS, from byte 400h, with a second copy at 1400h (kernel, include/linux/f2fs_fs.h): 00h 4 F2F52010h; 10h 4 block
// bytes, as a power of two; 24h 8 blocks; 6Ch 16 UUID; 7Ch 1024 label in UTF-16LE.
func probeF2FS(v *volume) (*FileSystem, error) {
	for _, at := range []uint64{0x400, 0x1400} {
		b, err := v.bytes(at, 0x47C)
		if err != nil {
			return nil, err
		}
		if b == nil || le32(b, 0) != 0xF2F52010 || le32(b, 0x10) < 9 || le32(b, 0x10) > 16 {
			continue
		}
		return &FileSystem{
			Kind: "f2fs", Label: text16(b[0x7C:0x47C], binary.LittleEndian), UUID: dashedUUID(b[0x6C:0x7C]),
			SizeBytes: sizeOf(le64(b, 0x24), 1<<le32(b, 0x10)),
		}, nil
	}
	return nil, nil
}

// SquashFS 4.0, from byte 0 (kernel, fs/squashfs/squashfs_fs.h): "hsqs"; 1Ch 2 major and 1Eh 2 minor version; 28h 8 bytes
// used. It has neither label nor UUID.
func probeSquashfs(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0, 96)
	if b == nil || !bytes.HasPrefix(b, []byte("hsqs")) || le16(b, 0x1C) != 4 {
		return nil, err
	}
	return &FileSystem{Kind: "squashfs", SizeBytes: sizeOf(le64(b, 0x28), 1)}, nil
}

// EROFS, from byte 400h (kernel, fs/erofs/erofs_fs.h): 00h 4 E0F5E1E2h; 0Ch 1 block bytes, as a power of two;
// 24h 4 blocks; 30h 16 UUID; 40h 16 label.
func probeEROFS(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0x400, 128)
	if b == nil || le32(b, 0) != 0xE0F5E1E2 || b[0x0C] < 9 || b[0x0C] > 16 {
		return nil, err
	}
	return &FileSystem{
		Kind: "erofs", Label: text8(b[0x40:0x50]), UUID: dashedUUID(b[0x30:0x40]),
		SizeBytes: sizeOf(le32(b, 0x24), 1<<b[0x0C]),
	}, nil
}

// Swap space (kernel, include/linux/swap.h): "SWAPSPACE2" in the last 10 bytes of the first page, whose size is that of
// the machine that made it; 400h 4 version 1; 404h 4 last page; 40Ch 16 UUID; 41Ch 16 label, in the maker's byte order.
func probeSwap(v *volume) (*FileSystem, error) {
	for pageBytes := uint64(4096); pageBytes <= 65536; pageBytes *= 2 {
		mark, err := v.bytes(pageBytes-10, 10)
		if err != nil {
			return nil, err
		}
		if string(mark) != "SWAPSPACE2" {
			continue
		}
		b, err := v.bytes(0x400, 0x2C)
		if b == nil {
			return nil, err
		}
		lastPage := le32(b, 4)
		if be32(b, 0) == 1 {
			lastPage = be32(b, 4)
		} else if le32(b, 0) != 1 {
			return nil, nil
		}
		return &FileSystem{
			Kind: "swap", Label: text8(b[0x1C:0x2C]), UUID: dashedUUID(b[0x0C:0x1C]),
			SizeBytes: sizeOf(lastPage+1, pageBytes),
		}, nil
	}
	return nil, nil
}

// LUKS, big-endian (LUKS1 and LUKS2 on-disk format specifications): "LUKS" BA BE; 06h 2 version; LUKS2 only: 18h 48 label,
// 100h 8 this header's own offset; A8h 40 UUID in ASCII. LUKS2 keeps a second header, "SKUL" BA BE, at one of nine places.
func probeLUKS(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0, 512)
	if b == nil {
		return nil, err
	}
	if bytes.HasPrefix(b, []byte("LUKS\xba\xbe")) {
		switch be16(b, 6) {
		case 1:
			return &FileSystem{Kind: "luks1", UUID: text8(b[0xA8:0xD0])}, nil
		case 2:
			return &FileSystem{Kind: "luks2", Label: text8(b[0x18:0x48]), UUID: text8(b[0xA8:0xD0])}, nil
		}
	}
	for at := uint64(0x4000); at <= 0x400000; at *= 2 {
		b, err := v.bytes(at, 512)
		if err != nil {
			return nil, err
		}
		if bytes.HasPrefix(b, []byte("SKUL\xba\xbe")) && be16(b, 6) == 2 && be64(b, 0x100) == at {
			return &FileSystem{Kind: "luks2", Label: text8(b[0x18:0x48]), UUID: text8(b[0xA8:0xD0])}, nil
		}
	}
	return nil, nil
}
