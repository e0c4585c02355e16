package partition

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// maxPlaces bounds how many places one range is said to lie in.
const maxPlaces = 16

// Locate names where a range of bytes lies, for a report of damage: "partition 2 (ext4 rootfs)", several joined by ", ",
// "before the first partition (partition table)", "outside any partition", or on a medium without a table
// "file system (ext4 rootfs)". An empty range lies nowhere.
func (t *Table) Locate(offsetBytes, lengthBytes int64) string {
	if offsetBytes < 0 || lengthBytes <= 0 {
		return ""
	}
	start, end := uint64(offsetBytes), uint64(math.MaxInt64)
	if lengthBytes < math.MaxInt64-offsetBytes {
		end = uint64(offsetBytes + lengthBytes)
	}
	var places []string
	for _, at := range t.edges(start, end) {
		for _, place := range t.placesAt(at) {
			if slices.Contains(places, place) {
				continue
			}
			if len(places) == maxPlaces {
				return strings.Join(append(places, "and more"), ", ")
			}
			places = append(places, place)
		}
	}
	return strings.Join(places, ", ")
}

// edges gives the range's start and every place in it where a partition, or a file system without a table, starts or ends:
// between two edges all bytes lie in the same place.
func (t *Table) edges(start, end uint64) []uint64 {
	edges := []uint64{start}
	add := func(at uint64) {
		if at > start && at < end {
			edges = append(edges, at)
		}
	}
	for i := range t.Partitions {
		if from, to, ok := t.span(&t.Partitions[i]); ok {
			add(from)
			add(to)
		}
	}
	if t.FileSystem != nil {
		add(t.fileSystemEnd())
	}
	slices.Sort(edges)
	return slices.Compact(edges)
}

// fileSystemEnd is the end of the file system that fills the medium; some kinds do not say their size.
func (t *Table) fileSystemEnd() uint64 {
	if t.FileSystem.SizeBytes > 0 {
		return uint64(t.FileSystem.SizeBytes)
	}
	return math.MaxUint64
}

// placesAt names the place of one byte. An extended partition is named only where none of its logical ones is.
func (t *Table) placesAt(at uint64) []string {
	var places, extended []string
	first := uint64(math.MaxUint64)
	for i := range t.Partitions {
		p := &t.Partitions[i]
		from, to, ok := t.span(p)
		if !ok {
			continue
		}
		first = min(first, from)
		switch {
		case at < from || at >= to:
		case p.isExtended():
			extended = append(extended, p.place())
		default:
			places = append(places, p.place())
		}
	}
	switch {
	case len(places) > 0:
		return places
	case len(extended) > 0:
		return extended
	case t.FileSystem != nil && at < t.fileSystemEnd():
		return []string{fmt.Sprintf("file system (%s)", describe(t.FileSystem))}
	case first != math.MaxUint64 && at < first:
		return []string{"before the first partition (partition table)"}
	default:
		return []string{"outside any partition"}
	}
}

// place names a partition by what it holds, else by what its table calls it.
func (p *Partition) place() string {
	detail := printable(p.Name)
	switch {
	case p.FileSystem != nil:
		detail = describe(p.FileSystem)
	case p.isExtended():
		detail = "extended"
	}
	if detail == "" {
		return fmt.Sprintf("partition %d", p.Number)
	}
	return fmt.Sprintf("partition %d (%s)", p.Number, detail)
}
