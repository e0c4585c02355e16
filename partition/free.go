package partition

import (
	"io"
	"slices"
	"strings"
)

const (
	// minFreeBytes is the shortest run that FreeSpace tells: else a hostile bitmap could fill the memory with runs.
	minFreeBytes = 64 << 10
	// edgeBytes at either end of an image, and of each partition, are never free: at these ends, systems look for signatures
	// that may be left from what the card held before, of tables, arrays of disks and file systems.
	edgeBytes = 1 << 20
)

// A Range is a run of an image's bytes.
type Range struct {
	OffsetBytes int64
	LengthBytes int64
}

// EndBytes is the offset of the first byte after the range.
func (r Range) EndBytes() int64 { return r.OffsetBytes + r.LengthBytes }

// FreeSpace tells which bytes of an image its own file systems mark as free (ext2, ext3, ext4; FAT12, FAT16, FAT32), and which
// gaps beside its partitions hold nothing but zeros, which it reads. It gives them in order and apart, without runs of less than
// 64 KiB. The table is what Inspect told of the same image.
//
// Where anything speaks against a file system, or against the table, nothing is free there: a file system that was not cleanly
// left, a checksum, count or copy that differs, a feature that is not known here, a place with two signatures. No table, boot
// sector, superblock, bitmap, inode table, journal or FAT ever is. The only error is a failed read (*ReadError).
func FreeSpace(medium io.ReaderAt, table *Table, imageBytes int64) ([]Range, error) {
	if table == nil || table.SizeBytes != imageBytes {
		return nil, nil
	}
	reader, err := newSectorReader(medium, imageBytes, table.SectorBytes)
	if err != nil {
		return nil, err
	}
	areas, sound := table.areas()
	if !sound {
		return nil, nil
	}
	look := &freeLook{medium: reader}
	end := int64(0)
	for _, area := range areas {
		if err := look.gap(end, area.start); err != nil {
			return nil, err
		}
		if err := look.area(area); err != nil {
			return nil, err
		}
		end = area.end
	}
	if err := look.gap(end, int64(reader.sizeBytes)); err != nil {
		return nil, err
	}
	return look.free.ranges(), nil
}

// nothingAgainstFree are the findings that say nothing against what a table tells of free space. Any other one, also such as are
// not known yet, does. Fewer do than where it is only asked whether files are there (doubts).
var nothingAgainstFree = []string{"partition-not-on-4mib", "unpartitioned", "several-signatures"}

// areas are the places of the file systems in the order of their starts; not sound where the table leaves any doubt.
func (t *Table) areas() (areas []span, sound bool) {
	for _, f := range t.Findings {
		if !slices.Contains(nothingAgainstFree, f.Code) {
			return nil, false
		}
	}
	if t.FileSystem != nil {
		return []span{{0, t.SizeBytes}}, len(t.Partitions) == 0
	}
	for i := range t.Partitions {
		p := &t.Partitions[i]
		start, end, ok := t.span(p)
		if !ok || end > uint64(t.SizeBytes) {
			return nil, false
		}
		if !p.isExtended() { // its boot records lie in what are gaps here, and are not zero
			areas = append(areas, span{int64(start), int64(end)})
		}
	}
	slices.SortFunc(areas, func(a, b span) int { return int(min(1, max(-1, a.start-b.start))) })
	for i := range areas {
		if i > 0 && areas[i].start < areas[i-1].end {
			return nil, false
		}
	}
	return areas, len(areas) > 0
}

// A freeLook collects what is free on one medium, from its start to its end.
type freeLook struct {
	medium *sectorReader
	free   freeList
}

// gap adds what lies outside any partition where all of it is zero: code that a board starts from there is not.
func (l *freeLook) gap(start, end int64) error {
	start, end = max(start, edgeBytes), min(end, int64(l.medium.sizeBytes)-edgeBytes)
	if end-start < minFreeBytes {
		return nil
	}
	for at := start; at < end; at += maxReadBytes {
		held, err := l.medium.bytes(uint64(at), uint64(min(maxReadBytes, end-at)))
		if err != nil || !isZero(held) {
			return err
		}
	}
	l.free.add(start, end)
	return nil
}

// area adds what the one file system of a place leaves free.
func (l *freeLook) area(area span) error {
	v := &volume{medium: l.medium, startBytes: uint64(area.start), lengthBytes: uint64(area.end - area.start)}
	found, err := fileSystems(v)
	if err != nil || len(found) != 1 {
		return err
	}
	free, look := []span(nil), extFree
	switch {
	case strings.HasPrefix(found[0].Kind, "fat"):
		look = fatFree
	case !strings.HasPrefix(found[0].Kind, "ext"):
		return nil
	}
	if free, err = look(v); err != nil {
		return err
	}
	for _, s := range free {
		l.free.add(max(area.start+s.start, area.start+edgeBytes), min(area.start+s.end, area.end-edgeBytes))
	}
	return nil
}

// A freeList joins runs that are added in order, and drops short ones.
type freeList struct{ runs []span }

func (l *freeList) add(start, end int64) {
	last := len(l.runs) - 1
	switch {
	case start >= end:
	case last >= 0 && l.runs[last].end == start:
		l.runs[last].end = end
	case last >= 0 && l.runs[last].end-l.runs[last].start < minFreeBytes:
		l.runs[last] = span{start, end}
	default:
		l.runs = append(l.runs, span{start, end})
	}
}

// whole are the runs that are long enough.
func (l *freeList) whole() []span {
	if last := len(l.runs) - 1; last >= 0 && l.runs[last].end-l.runs[last].start < minFreeBytes {
		return l.runs[:last]
	}
	return l.runs
}

func (l *freeList) ranges() []Range {
	var ranges []Range
	for _, s := range l.whole() {
		ranges = append(ranges, Range{s.start, s.end - s.start})
	}
	return ranges
}
