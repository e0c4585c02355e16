package partition

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// The NTFS boot sector, and the record that holds the label; from memory of the published layouts, checked against blkid:
//
//	offset size                offset size
//	03h    8  "NTFS    "       30h  8  first cluster of the file table
//	0Bh    2  sector bytes     40h  1  clusters of a record; above 7Fh: 2^-n bytes
//	0Dh    1  sectors/cluster  48h  8  serial
//	28h    8  sectors
//
// Record 3 of the file table is $Volume. A record: "FILE", LE16 offset (4) and count (6) of the update sequence, LE16
// offset of the first attribute (20). An attribute: LE32 type, LE32 length, byte 8 not resident, LE32 value length (16),
// LE16 value offset (20). Type 60h is the name, in UTF-16LE; FFFFFFFFh ends the list.
const (
	ntfsVolumeRecord = 3
	ntfsVolumeName   = 0x60
)

func probeNTFS(v *volume) (*FileSystem, error) {
	b, err := v.bytes(0, 512)
	if b == nil || !bytes.HasPrefix(b[3:], []byte("NTFS    ")) {
		return nil, err
	}
	sectorBytes, clusterSectors := le16(b, 0x0B), uint64(b[0x0D])
	if clusterSectors > 0x80 { // large clusters are given as a negative power of two
		clusterSectors = 1 << min(256-clusterSectors, 63)
	}
	if sectorBytes < 256 || sectorBytes > 4096 || !isPowerOfTwo(sectorBytes) || !isPowerOfTwo(clusterSectors) ||
		clusterSectors > 4096 {
		return nil, nil
	}
	clusterBytes := sectorBytes * clusterSectors
	recordBytes := uint64(b[0x40]) * clusterBytes
	if b[0x40] > 0x7F {
		recordBytes = 1 << min(256-uint64(b[0x40]), 31)
	}
	label, err := ntfsLabel(v, le64(b, 0x30), clusterBytes, recordBytes)
	if err != nil {
		return nil, err
	}
	fs := &FileSystem{Kind: "ntfs", Label: label, SizeBytes: sizeOf(le64(b, 0x28), sectorBytes)}
	if serial := le64(b, 0x48); serial != 0 {
		fs.UUID = fmt.Sprintf("%016X", serial)
	}
	return fs, nil
}

func ntfsLabel(v *volume, tableCluster, clusterBytes, recordBytes uint64) (string, error) {
	// A volume may be said to reach up to 2^64 bytes, the medium never does: within it nothing wraps around.
	if recordBytes < 512 || recordBytes > 1<<16 || tableCluster > v.medium.sizeBytes/clusterBytes {
		return "", nil
	}
	record, err := v.bytes(tableCluster*clusterBytes+ntfsVolumeRecord*recordBytes, recordBytes)
	if record == nil || !bytes.HasPrefix(record, []byte("FILE")) {
		return "", err
	}
	restoreSectorEnds(record)
	for at := le16(record, 20); at+24 <= recordBytes; {
		kind, length := le32(record, int(at)), le32(record, int(at)+4)
		if kind == 0xFFFFFFFF || length < 24 || length > recordBytes-at {
			return "", nil
		}
		attribute := record[at : at+length]
		if kind == ntfsVolumeName && attribute[8] == 0 {
			size, start := le32(attribute, 16), le16(attribute, 20)
			if start > length || size > length-start {
				return "", nil
			}
			return text16(attribute[start:start+size], binary.LittleEndian), nil
		}
		at += length
	}
	return "", nil
}

// restoreSectorEnds puts back the last two bytes of each 512, which NTFS swaps for a sequence number on disk. The record
// is this package's own copy.
func restoreSectorEnds(record []byte) {
	at, count := int(le16(record, 4)), int(le16(record, 6))
	for i := 1; i < count && i*512 <= len(record) && at+2*i+2 <= len(record); i++ {
		copy(record[i*512-2:i*512], record[at+2*i:at+2*i+2])
	}
}
