package partition

// mostFolderClusters bounds how much is read of folders: a boot partition has few.
const mostFolderClusters = 1 << 12

// fatFolders goes through the folders of a FAT below its root directory, whose entries change with every file that is written,
// also where the file keeps its length and its clusters.
type fatFolders struct {
	boot  *fatBoot
	table []byte          // the first FAT
	first []uint64        // clusters in which folders begin that were not read yet
	seen  map[uint64]bool // clusters that were
}

// look takes in the next entries of a directory: the folders among them are to be read, too.
func (w *fatFolders) look(entries []byte) {
	for ; len(entries) >= fatDirEntryBytes; entries = entries[fatDirEntryBytes:] {
		entry := entries[:fatDirEntryBytes]
		isFolder := entry[11]&0x18 == 0x10 && entry[11]&0x0F != 0x0F
		if !isFolder || entry[0] == 0 || entry[0] == 0xE5 || entry[0] == '.' {
			continue
		}
		cluster := le16(entry, 0x1A)
		if w.boot.is32 {
			cluster |= le16(entry, 0x14) << 16
		}
		w.first = append(w.first, cluster)
	}
}

// read reads all folders. It gives false where one leads out of the volume, where two share a cluster, or where they are many.
func (w *fatFolders) read(v *volume) (sound bool, err error) {
	c := w.boot.clusters32() // where clusters lie is the same in all kinds
	for w.seen = map[uint64]bool{}; len(w.first) > 0; {
		cluster := w.first[0]
		w.first = w.first[1:]
		for {
			if cluster < 2 || cluster-2 >= w.boot.clusters || w.seen[cluster] || len(w.seen) >= mostFolderClusters {
				return false, nil
			}
			w.seen[cluster] = true
			if whole, err := v.each(c.dataAt+(cluster-2)*c.clusterBytes, c.clusterBytes, w.look); !whole || err != nil {
				return false, err
			}
			if cluster = fatEntry(w.table, w.boot.entryBits(), cluster); cluster > badCluster(w.boot.entryBits()) {
				break // the chain's end
			}
		}
	}
	return true, nil
}
