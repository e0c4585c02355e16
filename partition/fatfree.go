package partition

import "bytes"

// An entry of a FAT tells of one cluster, after "FAT: General Overview of On-Disk Format", version 1.03: 0 free, else the next of
// its chain, FF7h bad, from FF8h on the last of its chain; FAT16 and FAT32 have the same with more Fs, and of FAT32 the upper 4
// bits are no part of it. Entry 0 holds the media byte. In entry 1 the highest bit is clear where the volume was not cleanly left,
// the next where errors were met. That systems note the same in the lowest two bits of byte 25h, of FAT32 41h, is from memory.
const (
	maxFATBytes = 64 << 20 // 16 million clusters
	fatVersion  = 0x2A     // FAT32: must be 0
	fatFlags    = 0x28     // FAT32: bit 7 set where only one of the FATs is kept up to date
)

// fatFree gives the clusters that a FAT marks as free, and nothing at all where any part of it cannot be trusted.
func fatFree(v *volume) ([]span, error) {
	b, err := v.bytes(0, 512)
	if b == nil {
		return nil, err
	}
	boot, ok := decodeFATBoot(b)
	if !ok || !boot.cleanBoot(b) || boot.sectors > v.lengthBytes/boot.sectorBytes {
		return nil, nil
	}
	table := fatTable{fatBoot: boot, bits: boot.entryBits()}
	if ok, err := table.read(v); err != nil || !ok || !table.sound(b[0x15]) {
		return nil, err
	}
	return table.runs(), nil
}

// cleanBoot tells whether the boot sector speaks of a volume that was cleanly left and whose FATs all count.
func (f *fatBoot) cleanBoot(b []byte) bool {
	state := b[0x25]
	if f.is32 {
		state = b[0x41]
		if b[fatFlags]&0x80 != 0 || le16(b, fatVersion) != 0 {
			return false
		}
	}
	return state&3 == 0 && f.fats <= 2 && f.clusters > 0
}

// A fatTable is one FAT in memory.
type fatTable struct {
	fatBoot
	bits uint64 // of an entry
	held []byte
}

// read takes the FAT; not ok where it is too small or too large, or where the other one differs.
func (t *fatTable) read(v *volume) (ok bool, err error) {
	needed, each := ((t.clusters+2)*t.bits+7)/8, t.fatSectors*t.sectorBytes
	if needed > each || needed > maxFATBytes {
		return false, nil
	}
	for at := uint64(0); at < needed; at += maxReadBytes {
		first, err := v.bytes(t.reserved*t.sectorBytes+at, min(maxReadBytes, needed-at))
		if first == nil {
			return false, err
		}
		t.held = append(t.held, first...)
		if t.fats == 1 {
			continue
		}
		second, err := v.bytes(t.reserved*t.sectorBytes+each+at, min(maxReadBytes, needed-at))
		if err != nil || !bytes.Equal(first, second) {
			return false, err
		}
	}
	return true, nil
}

// entry gives what the table tells of a cluster.
func (t *fatTable) entry(cluster uint64) uint64 { return fatEntry(t.held, t.bits, cluster) }

// sound tells whether the table says that it was cleanly left, and whether every chain stays within it and leads to no cluster
// that is said to be free.
func (t *fatTable) sound(media byte) bool {
	bad := badCluster(t.bits)
	clean := map[uint64]uint64{12: 0, 16: 0xC000, 32: 0x0C000000}[t.bits]
	if byte(t.entry(0)) != media || t.entry(1)&clean != clean || t.clusters+2 > bad {
		return false
	}
	inUse := func(cluster uint64) bool { return cluster >= 2 && cluster < t.clusters+2 && t.entry(cluster) != 0 }
	for cluster := uint64(2); cluster < t.clusters+2; cluster++ {
		if next := t.entry(cluster); next != 0 && next < bad && !inUse(next) {
			return false
		}
	}
	return !t.is32 || inUse(t.rootCluster)
}

// runs gives the free clusters as ranges of the volume.
func (t *fatTable) runs() []span {
	var found freeList
	data := t.dataSector() * t.sectorBytes
	size := t.clusterSectors * t.sectorBytes
	for cluster := uint64(2); cluster < t.clusters+2; cluster++ {
		if t.entry(cluster) == 0 {
			start := data + (cluster-2)*size
			found.add(int64(start), int64(start+size))
		}
	}
	return found.whole()
}
