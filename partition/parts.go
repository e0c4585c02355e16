package partition

import (
	"cmp"
	"slices"
)

// A part is a place of a medium where something may lie: a partition, or all of the medium. fs is nil where no file system is
// known to lie there.
type part struct {
	number int // 0: the whole medium
	fs     *FileSystem
	*volume
}

func (p *part) kind() string {
	if p.fs == nil {
		return ""
	}
	return p.fs.Kind
}

// parts gives the parts of a medium; all is false where there are more than are looked at. The whole medium is one where a file
// system fills it, or where there is no partition. An extended partition is none: the logical ones in it are.
func (t *Table) parts(medium *sectorReader) (parts []part, all bool) {
	if t.FileSystem != nil || len(t.Partitions) == 0 {
		parts = append(parts, part{0, t.FileSystem, medium.whole()})
	}
	for i := range t.Partitions {
		p := &t.Partitions[i]
		start, end, ok := t.span(p)
		if !ok || t.contains(p) {
			continue
		}
		if i >= maxProbed {
			return parts, false
		}
		parts = append(parts, part{p.Number, p.FileSystem, &volume{medium: medium, startBytes: start, lengthBytes: end - start}})
	}
	return parts, true
}

const (
	// gapEdgeBytes at either end of a medium hold tables, and what starts a machine before it knows any.
	gapEdgeBytes = 1 << 20
	// minGapBytes is the shortest place beside the partitions that is looked at: shorter ones come of rounding.
	minGapBytes = 1 << 20
)

// gaps gives the places beside the partitions, where one that was deleted may have lain. There are none where there is no partition:
// then the whole medium is a part.
func (t *Table) gaps(medium *sectorReader) (gaps []part) {
	if t.FileSystem != nil || len(t.Partitions) == 0 || medium.sizeBytes < 2*gapEdgeBytes {
		return nil
	}
	var taken []span
	for i := range t.Partitions {
		if start, end, ok := t.span(&t.Partitions[i]); ok {
			taken = append(taken, span{int64(min(start, medium.sizeBytes)), int64(min(end, medium.sizeBytes))})
		}
	}
	end := int64(medium.sizeBytes) - gapEdgeBytes
	slices.SortFunc(taken, func(a, b span) int { return cmp.Compare(a.start, b.start) })
	at := int64(gapEdgeBytes)
	for _, s := range append(taken, span{end, end}) {
		if s.start-at >= minGapBytes {
			gaps = append(gaps, part{0, nil, &volume{medium: medium, startBytes: uint64(at), lengthBytes: uint64(s.start - at)}})
		}
		at = max(at, s.end)
	}
	return gaps
}

// contains tells whether a partition is an extended one with others in it. One without any is looked at as any other.
func (t *Table) contains(p *Partition) bool {
	if t.Kind != SchemeMBR || !p.isExtended() || p.Number >= firstLogicalNumber {
		return false
	}
	for i := range t.Partitions {
		inner := &t.Partitions[i]
		if inner.Number >= firstLogicalNumber && inner.StartLBA > p.StartLBA && inner.StartLBA-p.StartLBA < p.Sectors {
			return true
		}
	}
	return false
}
