package partition

import (
	"fmt"
	"io"
	"strings"
)

// ImageSectorBytes is the sector size of nearly every image there is (common practice), which every image is read with.
const ImageSectorBytes = 512

// maxProbed bounds in how many partitions file systems are looked for; a GPT commonly has room for 128.
const maxProbed = 256

// Inspect reads the partition table and the file systems of a medium of sizeBytes bytes whose sectors are sectorBytes
// long (512 or 4096; an image file is given ImageSectorBytes). Every read lies within the medium and is a whole number of sectors at a
// sector's start, so that it suits a card opened for direct I/O. An error is a failed read (*ReadError) or a sector size
// that no medium has (ErrSectorSize), never odd content: that is told in the table's findings.
func Inspect(medium io.ReaderAt, sizeBytes, sectorBytes int64) (*Table, error) {
	reader, err := newSectorReader(medium, sizeBytes, sectorBytes)
	if err != nil {
		return nil, err
	}
	in := &inspection{
		medium: reader,
		table: &Table{
			Kind: SchemeNone, SectorBytes: sectorBytes, SizeBytes: sizeBytes,
			Partitions: []Partition{}, Findings: []Finding{},
		},
		told: map[string]int{},
	}
	if err := in.run(); err != nil {
		return nil, err
	}
	return in.table, nil
}

// An inspection is one reading of one medium.
type inspection struct {
	medium *sectorReader
	table  *Table
	gpt    *gptCopy       // the copy that the partitions were taken from, if any
	told   map[string]int // findings by code
}

func (in *inspection) run() error {
	whole, err := fileSystems(in.medium.whole())
	if err != nil {
		return err
	}
	record, err := in.bootRecord(whole)
	if err != nil {
		return err
	}
	if err := in.takeTable(record, whole); err != nil {
		return err
	}
	in.takeWhole(whole)
	if err := in.probePartitions(); err != nil {
		return err
	}
	in.judge()
	return nil
}

// bootRecord gives the MBR, or nil where there is none. A FAT, exFAT or NTFS boot sector ends in 55 AA too, and boot code
// lies where an MBR's entries would be: it goes before.
func (in *inspection) bootRecord(whole []FileSystem) (*bootRecord, error) {
	sector, err := in.medium.bytes(0, 512)
	if err != nil {
		return nil, err
	}
	record, ok := decodeBootRecord(sector)
	if !ok || record.oddFlags || hasBootSector(whole) {
		return nil, nil
	}
	return &record, nil
}

func hasBootSector(whole []FileSystem) bool {
	for _, fs := range whole {
		if strings.HasPrefix(fs.Kind, "fat") || fs.Kind == "exfat" || fs.Kind == "ntfs" {
			return true
		}
	}
	return false
}

// takeTable decides which table the medium has. An MBR that lists partitions and no protective one is believed; a GPT
// beside it is told as a remainder.
func (in *inspection) takeTable(record *bootRecord, whole []FileSystem) error {
	switch {
	case record != nil && record.protective():
		return in.takeProtected(record)
	case record != nil && record.lists():
		if err := in.takeMBR(record); err != nil {
			return err
		}
		return in.noteRemains()
	case hasBootSector(whole):
		return nil
	}
	pair, err := in.findGPT(0)
	if err != nil {
		return err
	}
	if pair.primary.sound() {
		in.takeGPT(pair)
		in.found(Finding{
			"protective-mbr-missing", Fault, "The GPT has no protective MBR, so most systems will not find it.",
			fmt.Sprintf("GPT header at byte %d", pair.primary.sectorBytes),
		})
		return nil
	}
	if record != nil && len(whole) == 0 {
		in.table.Kind, in.table.ID = SchemeMBR, record.id
		in.found(Finding{"table-empty", Information, "The partition table lists no partition.", "disk id " + record.id})
	}
	return in.noteRemains()
}

// takeProtected takes the GPT that a protective MBR announces, and holds further entries of that MBR against it.
func (in *inspection) takeProtected(record *bootRecord) error {
	var covered uint64
	for _, entry := range record.entries {
		if entry.kind == typeProtective {
			covered = entry.sectors
		}
	}
	pair, err := in.findGPT(covered)
	if err != nil {
		return err
	}
	in.takeGPT(pair)
	if record.lists() {
		in.takeHybrid(record, pair.best())
	}
	if pair.primary.sound() {
		return in.noteOldBackup(pair.primary)
	}
	return nil
}

// takeHybrid holds each entry beside the protective one against the GPT. Without a GPT they are all there is.
func (in *inspection) takeHybrid(record *bootRecord, g *gptCopy) {
	in.table.Kind = SchemeHybrid
	in.found(Finding{
		"hybrid-mbr", Information, "The MBR lists partitions beside the GPT, for systems that read only one of them.",
		"disk id " + record.id,
	})
	for i, entry := range record.entries {
		if !entry.used() || entry.kind == typeProtective {
			continue
		}
		if g == nil {
			in.add(i+1, entry, 0)
			continue
		}
		if !g.lists(entry) {
			in.found(Finding{
				"hybrid-entry-unmatched", Warning, fmt.Sprintf("Entry %d of the MBR has no counterpart in the GPT.", i+1),
				fmt.Sprintf("type %02x, LBA %d to %d", entry.kind, entry.offset, entry.offset+entry.sectors-1),
			})
		}
	}
}

func (g *gptCopy) lists(entry mbrEntry) bool {
	for _, own := range g.entries {
		if own.firstLBA == entry.offset && own.lastLBA == entry.offset+entry.sectors-1 {
			return true
		}
	}
	return false
}

// takeWhole takes the file system that fills the medium. Beside a table only an ISO 9660 one belongs there, as in an image
// that boots from a disc and from a card alike.
func (in *inspection) takeWhole(whole []FileSystem) {
	if len(whole) == 0 {
		if in.table.Kind == SchemeNone {
			in.found(Finding{
				"nothing-recognised", Information, "Neither a partition table nor a known file system was found.",
				fmt.Sprintf("%d bytes", in.table.SizeBytes),
			})
		}
		return
	}
	if in.table.Kind == SchemeNone {
		in.table.FileSystem = &whole[0]
		in.found(Finding{
			"unpartitioned", Information, "The medium holds a file system without a partition table.", describe(&whole[0]),
		})
		in.noteSeveral("medium", whole)
		return
	}
	for i := range whole {
		if whole[i].Kind == "iso9660" {
			in.table.FileSystem = &whole[i]
			in.found(Finding{
				"iso-hybrid", Information, "The medium is a disc file system and has a partition table as well.", describe(&whole[i]),
			})
			continue
		}
		in.found(Finding{
			"signature-beside-table", Information, "A file system's signature lies beside the partition table, likely a remainder.",
			describe(&whole[i]),
		})
	}
}

// probePartitions looks for a file system in every partition but an extended one, which only holds others.
func (in *inspection) probePartitions() error {
	partitions := in.table.Partitions
	if len(partitions) > maxProbed {
		in.found(Finding{
			"many-partitions", Warning, "There are too many partitions to look for a file system in all of them.",
			fmt.Sprintf("%d partitions, %d looked at", len(partitions), maxProbed),
		})
		partitions = partitions[:maxProbed]
	}
	for i := range partitions {
		p := &partitions[i]
		start, end, ok := in.table.span(p)
		if !ok || start == 0 || p.isExtended() {
			continue
		}
		found, err := fileSystems(&volume{medium: in.medium, startBytes: start, lengthBytes: end - start})
		if err != nil {
			return err
		}
		if len(found) > 0 {
			p.FileSystem = &found[0]
			in.noteSeveral(fmt.Sprintf("partition %d", p.Number), found)
		}
	}
	return nil
}

func (in *inspection) noteSeveral(where string, found []FileSystem) {
	if len(found) < 2 {
		return
	}
	kinds := make([]string, len(found))
	for i := range found {
		kinds[i] = found[i].Kind
	}
	in.found(Finding{
		"several-signatures", Information, fmt.Sprintf("The %s bears the signatures of several file systems.", where),
		strings.Join(kinds, ", "),
	})
}
