package partition

import (
	"bytes"
	"encoding/binary"
)

// The exFAT boot sector, after Microsoft's "exFAT file system specification":
//
//	offset size               offset size
//	03h    8  "EXFAT   "      60h  4  first cluster of the root directory
//	48h    8  volume sectors  64h  4  serial
//	50h    4  FAT offset      6Ch  1  sector bytes, as a power of two
//	58h    4  heap offset     6Dh  1  sectors of a cluster, as a power of two
//	5Ch    4  clusters
//
// The label is the directory entry of type 83h: its length at 1, up to 11 UTF-16 units from 2.
type exfatBoot struct {
	sectorShift, clusterShift              uint64
	sectors, fatAt, heapAt, clusters, root uint64
}

func probeExFAT(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0, 512)
	if b == nil || !bytes.HasPrefix(b[3:], []byte("EXFAT   ")) {
		return nil, err
	}
	boot, ok := decodeExFATBoot(b)
	if !ok {
		return nil, nil
	}
	label, err := boot.label(v)
	if err != nil {
		return nil, err
	}
	return &FileSystem{
		Kind: "exfat", Label: label, UUID: serialUUID(b[0x64:]),
		SizeBytes: sizeOf(boot.sectors, 1<<boot.sectorShift),
	}, nil
}

// decodeExFATBoot gives false where sectors or clusters have no size that there is.
func decodeExFATBoot(b []byte) (exfatBoot, bool) {
	boot := exfatBoot{
		sectorShift: uint64(b[0x6C]), clusterShift: uint64(b[0x6D]), sectors: le64(b, 0x48), fatAt: le32(b, 0x50),
		heapAt: le32(b, 0x58), clusters: le32(b, 0x5C), root: le32(b, 0x60),
	}
	return boot, boot.sectorShift >= 9 && boot.sectorShift <= 12 && boot.clusterShift <= 25-boot.sectorShift
}

// label walks the root directory's chain, but no further than a label can reasonably lie.
func (x *exfatBoot) label(v *volume) (string, error) {
	const most = maxLabelEntries * fatDirEntryBytes
	clusterBytes := uint64(1) << (x.sectorShift + x.clusterShift)
	cluster := x.root
	for seen := uint64(0); seen < maxLabelClusters && seen*clusterBytes < most; seen++ {
		// Checked: 2^32 clusters of at most 2^25 bytes cannot overflow, so an offset that is too far is only absent.
		if cluster < 2 || cluster-2 >= x.clusters {
			return "", nil
		}
		at := x.heapAt<<x.sectorShift + (cluster-2)*clusterBytes
		label, last, err := exfatLabelIn(v, at, min(clusterBytes, most))
		if last || err != nil {
			return label, err
		}
		entry, err := v.bytes(x.fatAt<<x.sectorShift+cluster*4, 4)
		if entry == nil {
			return "", err
		}
		cluster = le32(entry, 0)
	}
	return "", nil
}

// exfatLabelIn looks through one cluster; last says that nothing behind it need be looked at.
func exfatLabelIn(v *volume, offsetBytes, lengthBytes uint64) (label string, last bool, err error) {
	step := min(lengthBytes, 4096) // clusters are powers of two
	for end := offsetBytes + lengthBytes; offsetBytes < end; offsetBytes += step {
		entries, err := v.bytes(offsetBytes, step)
		if entries == nil {
			return "", true, err
		}
		for ; len(entries) > 0; entries = entries[32:] {
			switch entries[0] {
			case 0x00:
				return "", true, nil
			case 0x83:
				units := min(int(entries[1]), 11)
				return text16(entries[2:2+2*units], binary.LittleEndian), true, nil
			}
		}
	}
	return "", false, nil
}
