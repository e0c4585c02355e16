package partition

import (
	"bytes"
	"time"
)

// How much is covered of each kind of file system.
const (
	imprintExFATBytes       = 1 << 20 // of the FAT, as the bitmap tells more
	imprintDescriptorsBytes = 1 << 20 // the superblock alone would do
	// imprintEdgeBytes is what is covered at either end of whatever else there is: superblocks lie there, those of several disks
	// and of pools of disks too.
	imprintEdgeBytes = 256 << 10
)

// imprint takes what is covered of one part.
func (p *part) imprint(reader *sectorReader) (Volume, error) {
	v := Volume{Number: p.number, Kind: p.kind(), StartBytes: p.startBytes, LengthBytes: p.lengthBytes}
	if p.fs != nil {
		v.Label, v.UUID = p.fs.Label, p.fs.UUID
	}
	read := p.readEdges
	switch v.Kind {
	case "fat12", "fat16", "fat32":
		read = p.readFAT
	case "exfat":
		read = p.readExFAT
	case "ext2", "ext3", "ext4":
		read = func() error { return p.readExt(&v) }
	case "f2fs":
		read = p.readF2FS
	case "luks1", "luks2", "xfs", "ntfs":
		// A key opens LUKS without a trace; the other two keep their journals in places that are not followed to here.
		return v, ErrNoImprint
	case "":
		read = p.readUnknown
	}
	var err error
	v.Digest, err = digestOf(reader, read)
	return v, err
}

// readEdges covers what shows that a file system was mounted for writing by its superblock, as Btrfs does with each commit, and
// what cannot be written at all. Swap space is one of these: what is swapped is nobody's.
func (p *part) readEdges() error {
	_, err := p.each(0, min(p.lengthBytes, imprintEdgeBytes), ignore)
	if err == nil && p.lengthBytes > imprintEdgeBytes {
		_, err = p.each(p.lengthBytes-min(p.lengthBytes-imprintEdgeBytes, imprintEdgeBytes),
			min(p.lengthBytes-imprintEdgeBytes, imprintEdgeBytes), ignore)
	}
	return err
}

// readUnknown covers the edges of what may be a boot loader's own place, or empty. A whole medium of unknown content may be
// anything, and in a volume group ("LABELONE" in one of the first four sectors, LVM2 on-disk format) anything may lie.
func (p *part) readUnknown() error {
	start, err := p.bytes(0, min(p.lengthBytes, 4*512))
	if err != nil {
		return err
	}
	if p.number == 0 || bytes.Contains(start, []byte("LABELONE")) {
		return ErrNoImprint
	}
	return p.readEdges()
}

// readExt covers the superblock, with its count of mounts and its times, and the groups' descriptors, with their counts of what is
// free. Replaying the journal changes the superblock.
func (p *part) readExt(v *Volume) error {
	b, err := p.bytes(extSuperblockAt, 1024)
	if b == nil {
		return covered(false, err)
	}
	v.Mounts = int64(le16(b, 0x34))
	written := time.Unix(int64(le32(b, 0x30)|uint64(b[0x274])<<32), 0).UTC()
	if written.Unix() != 0 && written.Year() <= 9999 { // RFC 3339 knows no later one
		v.WrittenAt = &written
	}
	x := decodeExtCounts(b)
	_, err = p.each(x.descriptorsAt(), min(x.groups()*x.descriptorBytes, imprintDescriptorsBytes), ignore)
	return err
}

// readFAT covers the boot sector with its mark of a mount under way, FAT32's counts of what is free (FSInfo, whose sector stands at
// 30h of the boot sector), the first FAT, the root directory and all folders.
func (p *part) readFAT() error {
	sector, err := p.bytes(0, 512)
	if sector == nil {
		return covered(false, err)
	}
	f, ok := decodeFATBoot(sector)
	if !ok || f.anotherFATCounts(sector) || f.fatSectors*f.sectorBytes > mostFATBytes {
		return ErrNoImprint
	}
	if f.is32 {
		if _, err := p.bytes(le16(sector, 0x30)*f.sectorBytes, 512); err != nil {
			return err
		}
	}
	folders := &fatFolders{boot: &f, table: make([]byte, 0, f.fatSectors*f.sectorBytes)}
	keep := func(piece []byte) { folders.table = append(folders.table, piece...) }
	if err := covered(p.each(f.reserved*f.sectorBytes, f.fatSectors*f.sectorBytes, keep)); err != nil {
		return err
	}
	if uint64(len(folders.table)) < ((f.clusters+2)*f.entryBits()+7)/8 {
		return ErrNoImprint // the FAT is too short for its clusters
	}
	_, sound, err := f.root(p.volume, folders.look)
	if err := covered(sound, err); err != nil {
		return err
	}
	return covered(folders.read(p.volume))
}

// readExFAT covers the boot sector with its mark of a mount under way, the start of the FAT, the allocation bitmap and the root
// directory.
func (p *part) readExFAT() error {
	sector, err := p.bytes(0, 512)
	if sector == nil {
		return covered(false, err)
	}
	x, ok := decodeExFATBoot(sector)
	if !ok {
		return ErrNoImprint
	}
	if err := covered(p.each(x.fatAt<<x.sectorShift, min((x.clusters+2)*4, imprintExFATBytes), ignore)); err != nil {
		return err
	}
	root := &exfatDirectory{}
	_, sound, err := x.chains().follow(p.volume, x.root, max(mostDirectoryBytes, x.clusterBytes()), root.look)
	if err := covered(sound && len(root.bitmap) == 1, err); err != nil {
		return err
	}
	_, sound, err = x.chains().follow(p.volume, root.bitmap[0].cluster, max(mostBitmapBytes, x.clusterBytes()), ignore)
	return covered(sound, err)
}

// covered makes an error of what could not be read as a whole, as it does not lie on the medium or leads nowhere.
func covered(whole bool, err error) error {
	if err == nil && !whole {
		return ErrNoImprint
	}
	return err
}

// readF2FS covers the edges, and the first blocks of both checkpoints, of which each commit writes one anew (kernel,
// include/linux/f2fs_fs.h, from byte 400h: 10h 4 block bytes as a power of two; 14h 4 blocks of a segment as a power of two;
// 4Ch 4 first block of the checkpoints, which lie a segment apart).
func (p *part) readF2FS() error {
	if err := p.readEdges(); err != nil {
		return err
	}
	b, err := p.bytes(0x400, 512)
	if b == nil {
		return covered(false, err)
	}
	shift, segmentShift, first := le32(b, 0x10), le32(b, 0x14), le32(b, 0x4C)
	if le32(b, 0) != 0xF2F52010 || shift < 9 || shift > 16 || segmentShift > 16 {
		return ErrNoImprint
	}
	for _, block := range []uint64{first, first + 1<<segmentShift} {
		checkpoint, err := p.bytes(block<<shift, 1<<shift)
		if checkpoint == nil {
			return covered(false, err)
		}
	}
	return nil
}
