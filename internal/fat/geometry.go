package fat

import (
	"encoding/binary"
	"fmt"
)

// The boot sector, after Microsoft's "FAT: General Overview of On-Disk Format", version 1.03:
//
//	offset size            offset size
//	0Bh    2  sector bytes 20h  4  sectors, if 13h is 0
//	0Dh    1  cluster      24h  4  FAT32: sectors of one table
//	0Eh    2  reserved     28h  2  FAT32: bit 7: the tables are no copies of each other
//	10h    1  tables       2Ah  2  FAT32: version
//	11h    2  root entries 2Ch  4  FAT32: first cluster of the root directory
//	13h    2  sectors      30h  2  FAT32: sector of the count of free clusters
//	16h    2  sectors/FAT  1FEh 2  55 AA
//
// Behind the reserved sectors come the tables, the root directory of FAT12 and FAT16, and the clusters, of which the first is
// number 2.
type geometry struct {
	bits         int // of an entry of the table: 12, 16 or 32
	sectorBytes  int64
	clusterBytes int64
	clusters     uint32
	tableBytes   int64 // of one of the two
	rootBytes    int64 // FAT12 and FAT16
	infoBytes    int64 // where FAT32 keeps the count of free clusters; 0 for nowhere

	tableStart, rootStart, dataStart, end int64 // offsets in bytes
}

const (
	slotBytes    = 32
	firstCluster = 2
	// rootCluster is where FAT32's root directory starts in every file system that mkfs.fat makes, and the only place where the
	// read-back looks for it.
	rootCluster = 2
	// maxTableBytes bounds what is kept of a file system in memory: two million clusters of FAT32, 64 GiB of 32 KiB each.
	maxTableBytes = 8 << 20
)

// decodeGeometry reads a boot sector of a file system that may be lengthBytes long. The error wraps ErrUnsound.
func decodeGeometry(b []byte, lengthBytes int64) (*geometry, error) {
	little := binary.LittleEndian
	sector, cluster, reserved := int64(little.Uint16(b[0x0B:])), int64(b[0x0D]), int64(little.Uint16(b[0x0E:]))
	rootSlots, sectors, tableSectors := int64(little.Uint16(b[0x11:])), int64(little.Uint16(b[0x13:])), int64(little.Uint16(b[0x16:]))
	if sectors == 0 {
		sectors = int64(little.Uint32(b[0x20:]))
	}
	g := &geometry{sectorBytes: sector, clusterBytes: cluster * sector}
	if tableSectors == 0 {
		g.bits, tableSectors = 32, int64(little.Uint32(b[0x24:]))
	}
	switch {
	case b[0x1FE] != 0x55 || b[0x1FF] != 0xAA:
		return nil, unsound("its boot sector is not signed")
	case sector < 512 || sector > 4096 || !isPowerOfTwo(sector) || !isPowerOfTwo(cluster) || reserved == 0:
		return nil, unsound("its boot sector makes no sense")
	case b[0x10] != 2:
		return nil, unsound("it has %d allocation tables, and only two are known here", b[0x10])
	case tableSectors == 0 || tableSectors*sector > maxTableBytes:
		return nil, unsound("its allocation table has %d bytes", tableSectors*sector)
	case (g.bits == 32) != (rootSlots == 0):
		return nil, unsound("its root directory has %d entries", rootSlots)
	case sectors*sector > lengthBytes:
		return nil, unsound("it is longer than its partition or its image")
	}
	if g.bits == 32 {
		if err := g.take32(b, reserved); err != nil {
			return nil, err
		}
	}
	g.tableBytes, g.rootBytes = tableSectors*sector, rootSlots*slotBytes
	g.tableStart = reserved * sector
	g.rootStart = g.tableStart + 2*g.tableBytes
	g.dataStart = g.rootStart + (g.rootBytes+sector-1)/sector*sector
	return g, g.countClusters(sectors * sector)
}

// take32 reads what FAT32 alone has.
func (g *geometry) take32(b []byte, reserved int64) error {
	little := binary.LittleEndian
	switch info := int64(little.Uint16(b[0x30:])); {
	case little.Uint16(b[0x28:])&0x80 != 0:
		return unsound("its allocation tables are no copies of each other")
	case little.Uint16(b[0x2A:]) != 0:
		return unsound("it is of a later version")
	case little.Uint32(b[0x2C:]) != rootCluster:
		return unsound("its root directory starts in cluster %d", little.Uint32(b[0x2C:]))
	case info > 0 && info < reserved:
		g.infoBytes = info * g.sectorBytes
	}
	return nil
}

// countClusters finds where the last cluster ends, and by their number the kind of file system.
func (g *geometry) countClusters(sizeBytes int64) error {
	clusters := (sizeBytes - g.dataStart) / g.clusterBytes
	if sizeBytes < g.dataStart || clusters == 0 {
		return unsound("it has no cluster")
	}
	switch {
	case g.bits == 32:
	case clusters < 4085:
		g.bits = 12
	case clusters < 65525:
		g.bits = 16
	default:
		return unsound("it has %d clusters", clusters)
	}
	if (clusters+firstCluster)*int64(g.bits) > g.tableBytes*8 {
		return unsound("its allocation table is shorter than its clusters ask for")
	}
	g.clusters = uint32(clusters) // bounded by maxTableBytes
	g.end = g.dataStart + clusters*g.clusterBytes
	return nil
}

// clusterStart is where a cluster starts.
func (g *geometry) clusterStart(cluster uint32) int64 {
	return g.dataStart + int64(cluster-firstCluster)*g.clusterBytes
}

// holds tells whether there is such a cluster.
func (g *geometry) holds(cluster uint32) bool {
	return cluster >= firstCluster && cluster-firstCluster < g.clusters
}

func isPowerOfTwo(n int64) bool { return n > 0 && n&(n-1) == 0 }

func unsound(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrUnsound, fmt.Sprintf(format, args...))
}
