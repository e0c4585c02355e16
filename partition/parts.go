package partition

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
