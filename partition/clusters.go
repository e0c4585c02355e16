package partition

// clusters are those of a FAT32 or an exFAT: both have a table with 32 bits for each, which tell the cluster that follows.
type clusters struct {
	tableAt      uint64 // first byte of that table
	dataAt       uint64 // first byte of cluster 2
	clusterBytes uint64
	count        uint64
	mask         uint64 // the bits of an entry that count
	lastFrom     uint64 // from this value on an entry ends a chain
}

// follow shows the content of a chain's clusters piece by piece, and gives their number. It gives false where the chain leads out
// of the volume, does not end, or holds more than mostBytes.
func (c clusters) follow(v *volume, first, mostBytes uint64, visit func(piece []byte)) (length uint64, sound bool, err error) {
	for cluster := first; ; length++ {
		if cluster < 2 || cluster-2 >= c.count || (length+1)*c.clusterBytes > mostBytes {
			return length, false, nil
		}
		// 2^32 clusters of at most 2^25 bytes cannot overflow.
		if whole, err := v.each(c.dataAt+(cluster-2)*c.clusterBytes, c.clusterBytes, visit); !whole || err != nil {
			return length, false, err
		}
		entry, err := v.bytes(c.tableAt+cluster*4, 4)
		if entry == nil {
			return length, false, err
		}
		if cluster = le32(entry, 0) & c.mask; cluster >= c.lastFrom {
			return length + 1, true, nil
		}
	}
}

// ignore is for what is read for its digest alone.
func ignore([]byte) {}
