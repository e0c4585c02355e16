package partition

import "fmt"

const (
	// mostDirectoryBytes is as long as any FAT directory gets: 65536 entries.
	mostDirectoryBytes = 65536 * fatDirEntryBytes
	// mostFATBytes is one FAT of a card of 128 GB in clusters of 32 KiB. Cards above 32 GB come with exFAT.
	mostFATBytes = 16 << 20
)

// fatHolds looks for files on a FAT: in its root directory, and by what is in use according to the first FAT, so that one whose
// directory was lost is not taken for an empty one.
func fatHolds(v *volume) (Holds, string, error) {
	sector, err := v.bytes(0, 512)
	if err != nil {
		return "", "", err
	}
	if sector == nil {
		return unknown("its boot sector does not lie on the medium")
	}
	f, ok := decodeFATBoot(sector)
	if !ok || f.anotherFATCounts(sector) {
		return unknown("its boot sector makes no sense, or calls another FAT than the first the one that counts")
	}
	root := &fatDirectory{}
	rootClusters, sound, err := f.root(v, root.look)
	switch {
	case err != nil:
		return "", "", err
	case root.files > 0:
		return HoldsFiles, fmt.Sprintf("entries in its root directory: %d", root.files), nil
	case !sound:
		return unknown("its root directory could not be followed to its end")
	case root.odd != "":
		return unknown("its root directory holds %s", root.odd)
	}
	return f.unexplained(v, rootClusters)
}

// anotherFATCounts tells by FAT32's flags at 28h whether the FATs are no mirrors of each other (80h) and the first is not the one in
// use (its number in 0Fh). No common tool makes that.
func (f *fatBoot) anotherFATCounts(sector []byte) bool {
	flags := le16(sector, 0x28)
	return f.is32 && flags&0x80 != 0 && flags&0x0F != 0
}

// clusters32 are those of a FAT32.
func (f *fatBoot) clusters32() clusters {
	return clusters{
		tableAt: f.reserved * f.sectorBytes, dataAt: f.dataSector() * f.sectorBytes,
		clusterBytes: f.clusterSectors * f.sectorBytes, count: f.clusters, mask: 0x0FFFFFFF, lastFrom: 0x0FFFFFF8,
	}
}

// root shows the whole root directory, and gives the clusters that it takes: none on FAT12 and FAT16.
func (f *fatBoot) root(v *volume, visit func(entries []byte)) (length uint64, sound bool, err error) {
	if f.is32 {
		return f.clusters32().follow(v, f.rootCluster, mostDirectoryBytes, visit)
	}
	sound, err = v.each(f.rootSector()*f.sectorBytes, f.rootEntries*fatDirEntryBytes, visit)
	return 0, sound && f.rootEntries > 0, err
}

// A fatDirectory is what was seen in a directory.
type fatDirectory struct {
	files int
	odd   string // what a directory does not hold that was just made
	ended bool
}

// look takes in the next entries. Deleted ones and those of long names, which go with another, are nothing. Behind the directory's
// end there ought to be zeros: if not, the end itself may be damage, with entries behind it.
func (d *fatDirectory) look(entries []byte) {
	for ; len(entries) >= fatDirEntryBytes; entries = entries[fatDirEntryBytes:] {
		entry, attributes := entries[:fatDirEntryBytes], entries[11]
		switch {
		case d.ended || entry[0] == 0:
			d.ended = true
			if !isZero(entry) {
				d.odd = "something behind its end"
			}
		case entry[0] == 0xE5, attributes&0x0F == 0x0F:
		case attributes&0x18 == 0x08:
			if le16(entry, 0x14) != 0 || le16(entry, 0x1A) != 0 || le32(entry, 0x1C) != 0 {
				d.odd = "a label that has content"
			}
		default:
			d.files++
		}
	}
}

// unexplained counts the clusters in use and holds them against those of the root directory.
func (f *fatBoot) unexplained(v *volume, rootClusters uint64) (Holds, string, error) {
	bits := f.entryBits()
	length := ((f.clusters+2)*bits + 7) / 8
	if length > mostFATBytes || length > f.fatSectors*f.sectorBytes {
		return unknown("its FAT of %d sectors is not one to go through for %d clusters", f.fatSectors, f.clusters)
	}
	table := make([]byte, 0, length)
	whole, err := v.each(f.reserved*f.sectorBytes, length, func(piece []byte) { table = append(table, piece...) })
	if err != nil {
		return "", "", err
	}
	if !whole {
		return unknown("its FAT does not lie on the medium as a whole")
	}
	if used := usedClusters(table, bits, f.clusters); used != rootClusters {
		return unknown("its root directory holds no entry, but %d clusters are in use, %d of them its own", used, rootClusters)
	}
	return HoldsNothing, fmt.Sprintf("no entry in its root directory, none of %d clusters in use by others", f.clusters), nil
}

// usedClusters counts the entries of a FAT that are neither free nor marked as bad.
func usedClusters(table []byte, bits, count uint64) (used uint64) {
	for cluster := uint64(2); cluster < count+2; cluster++ {
		if value := fatEntry(table, bits, cluster); value != 0 && value != badCluster(bits) {
			used++
		}
	}
	return used
}
