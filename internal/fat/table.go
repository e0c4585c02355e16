package fat

import (
	"encoding/binary"
	"slices"
)

// A table is the file allocation table: for each cluster the next of its file. Its bytes are kept as they are, so that what is not
// set stays, the reserved entries with their marks of a clean shutdown among it.
type table struct {
	*geometry
	bytes  []byte
	dirty  map[int64]bool // by sector of the table: it was changed
	next   uint32         // all clusters before it are taken
	latest uint32         // the cluster that was taken last; 0 for none
}

// get gives an entry. That of FAT32 has 28 bits.
func (t *table) get(cluster uint32) uint32 {
	at := t.at(cluster)
	switch t.bits {
	case 12:
		pair := uint32(binary.LittleEndian.Uint16(t.bytes[at:]))
		return pair >> (4 * (cluster % 2)) & 0xFFF
	case 16:
		return uint32(binary.LittleEndian.Uint16(t.bytes[at:]))
	}
	return binary.LittleEndian.Uint32(t.bytes[at:]) & 0x0FFFFFFF
}

// set changes an entry, and no bit beside it.
func (t *table) set(cluster, value uint32) {
	at, length := t.at(cluster), int64(2)
	switch t.bits {
	case 12:
		shift := 4 * (cluster % 2)
		pair := binary.LittleEndian.Uint16(t.bytes[at:])
		binary.LittleEndian.PutUint16(t.bytes[at:], pair&^(0xFFF<<shift)|uint16(value<<shift))
	case 16:
		binary.LittleEndian.PutUint16(t.bytes[at:], uint16(value))
	default:
		length = 4
		kept := binary.LittleEndian.Uint32(t.bytes[at:]) &^ 0x0FFFFFFF
		binary.LittleEndian.PutUint32(t.bytes[at:], kept|value)
	}
	t.dirty[at/t.sectorBytes] = true
	t.dirty[(at+length-1)/t.sectorBytes] = true
}

func (t *table) at(cluster uint32) int64 { return int64(cluster) * int64(t.bits) / 8 }

// The marks of a table: 0 is free, the largest ends a file, from endsFrom on everything does, bad is never used.
func (t *table) endMark() uint32  { return uint32(1)<<min(t.bits, 28) - 1 }
func (t *table) endsFrom() uint32 { return t.endMark() - 7 }
func (t *table) bad() uint32      { return t.endMark() - 8 }

// used tells whether a cluster is there and belongs to a file.
func (t *table) used(cluster uint32) bool {
	return t.holds(cluster) && t.get(cluster) != 0 && t.get(cluster) != t.bad()
}

// lead notes that something leads to a cluster. The cluster must be in use, and nothing else may lead to it. The error wraps
// ErrUnsound.
func (t *table) lead(led []bool, cluster uint32) error {
	switch {
	case !t.used(cluster):
		return unsound("something leads to cluster %d, which is no file's", cluster)
	case led[cluster]:
		return unsound("two files meet in cluster %d", cluster)
	}
	led[cluster] = true
	return nil
}

// check makes sure that every chain ends and that no two meet, so that whoever follows one comes to an end, and tells of each
// cluster whether another leads to it. The error wraps ErrUnsound.
func (t *table) check() (led []bool, err error) {
	last := t.clusters + firstCluster
	led, left := make([]bool, last), 0
	for c := uint32(firstCluster); c < last; c++ {
		if !t.used(c) {
			continue
		}
		left++
		if next := t.get(c); next < t.endsFrom() {
			if err := t.lead(led, next); err != nil {
				return nil, err
			}
		}
	}
	// Each chain has one start that nothing leads to; what is left over after all of them were followed goes round in a circle.
	for c := uint32(firstCluster); c < last; c++ {
		if led[c] || !t.used(c) {
			continue
		}
		for at := c; at < t.endsFrom(); at = t.get(at) {
			left--
		}
	}
	if left != 0 {
		return nil, unsound("a file's clusters go round in a circle")
	}
	return led, nil
}

// chain gives the clusters from one on, at most so many. It relies on what Volume.check made sure of. The error wraps ErrUnsound.
func (t *table) chain(first uint32, most int) (clusters []uint32, err error) {
	for at := first; at < t.endsFrom(); at = t.get(at) {
		if len(clusters) == most {
			return nil, unsound("a directory is longer than any may be")
		}
		clusters = append(clusters, at)
	}
	return clusters, nil
}

// free gives clusters back.
func (t *table) free(clusters []uint32) {
	for _, c := range clusters {
		t.set(c, 0)
		t.next = min(t.next, c)
	}
}

// take makes a chain of so many clusters, the lowest that are free, or gives ErrFull.
func (t *table) take(count int) (clusters []uint32, err error) {
	for c := t.next; t.holds(c) && len(clusters) < count; c++ {
		if t.get(c) == 0 {
			clusters = append(clusters, c)
		}
	}
	if len(clusters) < count {
		return nil, ErrFull
	}
	for i, c := range clusters {
		if i+1 < len(clusters) {
			t.set(c, clusters[i+1])
		} else {
			t.set(c, t.endMark())
			t.next, t.latest = c+1, c
		}
	}
	return clusters, nil
}

// countFree counts the free clusters.
func (t *table) countFree() (free uint32) {
	for c := range t.clusters {
		if t.get(c+firstCluster) == 0 {
			free++
		}
	}
	return free
}

// changed gives the sectors of the table that were changed, in order.
func (t *table) changed() (sectors []int64) {
	for sector := range t.dirty {
		sectors = append(sectors, sector)
	}
	slices.Sort(sectors)
	return sectors
}
