package partition

import (
	"bytes"
	"strings"
)

// The FAT boot sector, after Microsoft's "FAT: General Overview of On-Disk Format", version 1.03:
//
//	offset size            offset size
//	00h    3  jump         1Bh..   geometry
//	0Bh    2  sector bytes 20h  4  sectors, if 13h is 0
//	0Dh    1  cluster      24h  4  FAT32: sectors of one FAT
//	0Eh    2  reserved     2Ch  4  FAT32: first root cluster
//	10h    1  FATs         26h 43h FAT12/16 and FAT32: extended boot signature 28h or 29h
//	11h    2  root entries 27h 43h 4  serial
//	13h    2  sectors      2Bh 47h 11 label
//	15h    1  media        36h 52h 8  "FAT12   " and the like, which decides nothing
//	16h    2  sectors/FAT  1FEh 2  55 AA
//
// A directory entry has 32 bytes: 11 of name, then the attributes (08h volume label, 10h directory, 0Fh long name).
type fatBoot struct {
	sectorBytes, clusterSectors, reserved, fats, rootEntries, sectors, fatSectors uint64

	clusters    uint64
	rootCluster uint64 // FAT32 only
	is32        bool
	extended    []byte // serial and label
}

const fatDirEntryBytes = 32 // those of exFAT too

// How far a label is looked for in a directory, of which it commonly is the first entry. Without such bounds a table of many
// volumes, each with a chain that leads back to itself, would ask for some hundred thousand reads.
const (
	maxLabelEntries  = 4096
	maxLabelClusters = 32
)

func probeFAT(v *volume) (*FileSystem, error) {
	sector, err := v.bytes(0, 512)
	if sector == nil {
		return nil, err
	}
	boot, ok := decodeFATBoot(sector)
	if !ok {
		return nil, nil
	}
	fs := &FileSystem{Kind: boot.kind(), SizeBytes: sizeOf(boot.sectors, boot.sectorBytes)}
	if boot.extended != nil {
		fs.UUID = serialUUID(boot.extended)
		fs.Label = fatLabel(boot.extended[4:15])
	}
	// The root directory's label wins over the boot sector's, which few systems keep up to date.
	label, found, err := boot.rootLabel(v)
	if err != nil {
		return nil, err
	}
	if found {
		fs.Label = label
	}
	return fs, nil
}

// decodeFATBoot tells a FAT boot sector by the plausibility of every field it needs, since an MBR ends in 55 AA as well.
func decodeFATBoot(b []byte) (fatBoot, bool) {
	f := fatBoot{
		sectorBytes: le16(b, 0x0B), clusterSectors: uint64(b[0x0D]), reserved: le16(b, 0x0E), fats: uint64(b[0x10]),
		rootEntries: le16(b, 0x11), sectors: le16(b, 0x13), fatSectors: le16(b, 0x16),
	}
	if f.sectors == 0 {
		f.sectors = le32(b, 0x20)
	}
	signed := b[0x1FE] == 0x55 && b[0x1FF] == 0xAA && (b[0] == 0xEB || b[0] == 0xE9)
	if !signed && !namesFAT(b) {
		return f, false
	}
	media := b[0x15]
	if f.sectorBytes < 512 || f.sectorBytes > 4096 || !isPowerOfTwo(f.sectorBytes) || !isPowerOfTwo(f.clusterSectors) ||
		f.reserved == 0 || f.fats == 0 || (media != 0xF0 && media < 0xF8) {
		return f, false
	}
	if f.fatSectors == 0 {
		f.is32, f.fatSectors, f.rootCluster = true, le32(b, 0x24), le32(b, 0x2C)
	}
	f.extended = extendedBoot(b, f.is32)
	return f, f.countClusters()
}

func namesFAT(b []byte) bool {
	for _, name := range []string{"FAT12   ", "FAT16   ", "FAT     ", "MSDOS"} {
		if bytes.HasPrefix(b[0x36:], []byte(name)) {
			return true
		}
	}
	return bytes.HasPrefix(b[0x52:], []byte("FAT32   ")) || bytes.HasPrefix(b[0x52:], []byte("MSWIN"))
}

// extendedBoot gives serial and label, which are there only behind their own signature: 28h promises the serial alone.
func extendedBoot(b []byte, is32 bool) []byte {
	at := 0x26
	if is32 {
		at = 0x42
	}
	switch b[at] {
	case 0x29:
		return b[at+1 : at+16]
	case 0x28:
		return append(append([]byte(nil), b[at+1:at+5]...), "           "...)
	default:
		return nil
	}
}

// countClusters fills in the count that tells FAT12 from FAT16, and says whether the sizes fit together.
func (f *fatBoot) countClusters() bool {
	if f.fatSectors == 0 || f.dataSector() > f.sectors {
		return false
	}
	f.clusters = (f.sectors - f.dataSector()) / f.clusterSectors
	return f.is32 || f.clusters < 65525
}

func (f *fatBoot) rootSectors() uint64 {
	return (f.rootEntries*fatDirEntryBytes + f.sectorBytes - 1) / f.sectorBytes
}

// rootSector is where the root directory of FAT12 and FAT16 begins, behind the last FAT.
func (f *fatBoot) rootSector() uint64 { return f.reserved + f.fats*f.fatSectors }

// dataSector is where the first cluster begins, which is number 2.
func (f *fatBoot) dataSector() uint64 { return f.rootSector() + f.rootSectors() }

// kind goes by the FAT-size field for FAT32 and by the cluster count below it, as the kernel does: a small volume made as
// FAT32 on purpose has too few clusters to be told otherwise.
func (f *fatBoot) kind() string {
	switch {
	case f.is32:
		return "fat32"
	case f.clusters < 4085:
		return "fat12"
	default:
		return "fat16"
	}
}

// entryBits is how long an entry of the FAT is.
func (f *fatBoot) entryBits() uint64 {
	switch f.kind() {
	case "fat12":
		return 12
	case "fat16":
		return 16
	default:
		return 32
	}
}

// fatEntry gives what a FAT with entries of so many bits tells of a cluster. Two of 12 bits share three bytes; of one of 32, the
// upper 4 bits are no part.
func fatEntry(table []byte, bits, cluster uint64) uint64 {
	switch bits {
	case 12:
		return le16(table, int(cluster+cluster/2)) >> (4 * (cluster & 1)) & 0xFFF
	case 16:
		return le16(table, int(cluster*2))
	default:
		return le32(table, int(cluster*4)) & 0x0FFFFFFF
	}
}

// badCluster is the entry that marks a cluster as bad; those above it end a chain.
func badCluster(bits uint64) uint64 {
	switch bits {
	case 12:
		return 0xFF7
	case 16:
		return 0xFFF7
	default:
		return 0x0FFFFFF7
	}
}

// rootLabel looks for the volume label in the root directory: all of it on FAT12 and FAT16, and on FAT32 along its chain.
func (f *fatBoot) rootLabel(v *volume) (label string, found bool, err error) {
	if !f.is32 {
		label, found, _, err = fatLabelIn(v, f.rootSector()*f.sectorBytes, min(f.rootEntries, maxLabelEntries))
		return label, found, err
	}
	inCluster := f.clusterSectors * f.sectorBytes / fatDirEntryBytes
	cluster := f.rootCluster
	for seen := uint64(0); seen < maxLabelClusters && seen*inCluster < maxLabelEntries; seen++ {
		if cluster < 2 || cluster-2 >= f.clusters {
			break
		}
		at := (f.dataSector() + (cluster-2)*f.clusterSectors) * f.sectorBytes
		var last bool
		label, found, last, err = fatLabelIn(v, at, min(inCluster, maxLabelEntries))
		if found || last || err != nil {
			return label, found, err
		}
		if cluster, err = f.next(v, cluster); err != nil {
			return "", false, err
		}
	}
	return "", false, nil
}

// next gives the cluster that follows in a FAT32 chain. The upper 4 bits of an entry are not part of the number.
func (f *fatBoot) next(v *volume, cluster uint64) (uint64, error) {
	entry, err := v.bytes(f.reserved*f.sectorBytes+cluster*4, 4)
	if entry == nil {
		return 0, err
	}
	return le32(entry, 0) & 0x0FFFFFFF, nil
}

// fatLabelIn looks through count directory entries; last says that the directory ends among them.
func fatLabelIn(v *volume, offsetBytes, count uint64) (label string, found, last bool, err error) {
	const step = 4096 / fatDirEntryBytes
	for ; count > 0; offsetBytes += 4096 {
		entries, err := v.bytes(offsetBytes, min(count, step)*fatDirEntryBytes)
		if entries == nil {
			return "", false, true, err
		}
		count -= min(count, step)
		for ; len(entries) > 0; entries = entries[fatDirEntryBytes:] {
			attributes := entries[11]
			switch {
			case entries[0] == 0:
				return "", false, true, nil
			case entries[0] == 0xE5, attributes&0x0F == 0x0F, attributes&0x18 != 0x08:
				continue
			}
			return fatLabel(entries[:11]), true, false, nil
		}
	}
	return "", false, false, nil
}

// fatLabel trims a label; 05h stands for a first byte E5h, and "NO NAME" for none.
func fatLabel(b []byte) string {
	name := append([]byte(nil), b[:11]...)
	if name[0] == 0x05 {
		name[0] = 0xE5
	}
	label := text8(name)
	if strings.TrimRight(label, " ") == "NO NAME" {
		return ""
	}
	return label
}
