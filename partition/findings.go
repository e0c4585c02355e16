package partition

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

const (
	maxFindingsOfCode = 16
	alignmentBytes    = 4 << 20 // the commonest allocation unit of a card of up to 32 GB
)

// found adds findings, and after many of one code one more that says that the rest is left out: a hostile table could
// otherwise fill the memory.
func (in *inspection) found(findings ...Finding) {
	for _, finding := range findings {
		in.told[finding.Code]++
		switch n := in.told[finding.Code]; {
		case n <= maxFindingsOfCode:
			in.table.Findings = append(in.table.Findings, finding)
		case n == maxFindingsOfCode+1:
			in.table.Findings = append(in.table.Findings, Finding{
				finding.Code, finding.Severity, "There are more findings of this kind, which are left out.",
				fmt.Sprintf("%d are told", maxFindingsOfCode),
			})
		}
	}
}

// judge tells what is odd about the partitions and their contents.
func (in *inspection) judge() {
	for i := range in.table.Partitions {
		in.judgePlace(&in.table.Partitions[i])
		in.judgeContent(&in.table.Partitions[i])
	}
	in.judgeOverlaps()
	in.judgeExtent()
}

// span gives a partition's first byte and the byte after its last; false where it is empty or the numbers overflow.
func (t *Table) span(p *Partition) (startBytes, endBytes uint64, ok bool) {
	sector := uint64(t.SectorBytes)
	endLBA, carry := bits.Add64(p.StartLBA, p.Sectors, 0)
	high, end := bits.Mul64(endLBA, sector)
	if p.Sectors == 0 || t.SectorBytes <= 0 || carry != 0 || high != 0 {
		return 0, 0, false
	}
	return p.StartLBA * sector, end, true
}

func (p *Partition) isExtended() bool { return p.Type == "05" || p.Type == "0f" || p.Type == "85" }

func (in *inspection) judgePlace(p *Partition) {
	start, end, ok := in.table.span(p)
	evidence := fmt.Sprintf("LBA %d, %d sectors of %d bytes; medium %d bytes", p.StartLBA, p.Sectors, in.table.SectorBytes,
		in.table.SizeBytes)
	name := fmt.Sprintf("Partition %d ", p.Number)
	switch {
	case p.Sectors == 0:
		in.found(Finding{"partition-ends-before-start", Fault, name + "ends before it starts.", evidence})
		return
	case !ok || end > uint64(in.table.SizeBytes):
		in.found(Finding{"partition-beyond-end", Fault, name + "reaches beyond the end of the medium.", evidence})
	}
	if p.StartLBA == 0 {
		in.found(Finding{"partition-covers-table", in.unlessDisc(Warning), name + "covers the partition table itself.", evidence})
	}
	if g := in.gpt; g != nil && (p.StartLBA < g.firstUsable || p.StartLBA+(p.Sectors-1) > g.lastUsable) {
		in.found(Finding{
			"partition-outside-usable", Fault, name + "lies outside the range that its table calls usable.",
			fmt.Sprintf("%s; usable LBA %d to %d", evidence, g.firstUsable, g.lastUsable),
		})
	}
	if ok && start%alignmentBytes != 0 && !p.isExtended() {
		in.found(Finding{
			"partition-not-on-4mib", Information, name + "does not start on 4 MiB, which can make a card's writes slower.",
			fmt.Sprintf("starts at byte %d", start),
		})
	}
}

// unlessDisc lessens a severity on an image that is a disc as well: there, partitions that overlap each other and the
// table are how it is made.
func (in *inspection) unlessDisc(severity Severity) Severity {
	if in.table.FileSystem != nil && in.table.FileSystem.Kind == "iso9660" {
		return Information
	}
	return severity
}

func (in *inspection) judgeContent(p *Partition) {
	if p.FileSystem == nil {
		return
	}
	start, end, ok := in.table.span(p)
	if ok && p.FileSystem.SizeBytes > 0 && uint64(p.FileSystem.SizeBytes) > end-start {
		in.found(Finding{
			"filesystem-exceeds-partition", Fault, fmt.Sprintf("The file system in partition %d is larger than the partition.", p.Number),
			fmt.Sprintf("%s of %d bytes in %d bytes", p.FileSystem.Kind, p.FileSystem.SizeBytes, end-start),
		})
	}
	if expected := expectedKinds(p.Type); expected != nil && !slices.Contains(expected, p.FileSystem.Kind) {
		in.found(Finding{
			"type-content-mismatch", Warning, fmt.Sprintf("The type of partition %d promises something else than what it holds.", p.Number),
			fmt.Sprintf("type %s, holds %s", p.Type, p.FileSystem.Kind),
		})
	}
}

// expectedKinds gives what a partition type promises, or nil where its meaning is not clear-cut. One family of FAT stands
// for all, as its width is often mistaken and no system minds. Names after util-linux 2.38, pt-mbr-partnames.h and
// pt-gpt-partnames.h.
func expectedKinds(kind string) []string {
	switch kind {
	case "01", "04", "06", "0b", "0c", "0e", "ef", "C12A7328-F81F-11D2-BA4B-00A0C93EC93B":
		return []string{"fat12", "fat16", "fat32"}
	case "07":
		return []string{"ntfs", "exfat"}
	case "82", "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F":
		return []string{"swap", "luks1", "luks2"}
	case "83", "0FC63DAF-8483-4772-8E79-3D69D8477DE4", "69DAD710-2CE4-4E3C-B16C-21A1D49ABED3",
		"B921B045-1DF0-41C3-AF44-4C6F280D3FAE", "4F68BCE3-E8CD-4DB1-96E7-FBCAF984B709",
		"72EC70A6-CF74-40E6-BD49-4BDA08E8F224", "933AC7E1-2EB4-4F13-B844-0E14E2AEF915":
		return []string{"ext2", "ext3", "ext4", "squashfs", "btrfs", "xfs", "f2fs", "erofs", "iso9660", "luks1", "luks2"}
	default:
		return nil
	}
}

// judgeOverlaps compares neighbours in the order of their starts. A logical partition lies in its extended one by design.
func (in *inspection) judgeOverlaps() {
	var order []*Partition
	for i := range in.table.Partitions {
		p := &in.table.Partitions[i]
		_, _, ok := in.table.span(p)
		if ok && (in.table.Kind != SchemeMBR || p.Number < firstLogicalNumber || !p.isExtended()) {
			order = append(order, p)
		}
	}
	slices.SortStableFunc(order, func(a, b *Partition) int {
		switch {
		case a.StartLBA < b.StartLBA:
			return -1
		case a.StartLBA > b.StartLBA:
			return 1
		}
		return a.Number - b.Number
	})
	for i, a := range order {
		for _, b := range order[i+1:] {
			if b.StartLBA >= a.StartLBA+a.Sectors || in.told["partitions-overlap"] > maxFindingsOfCode {
				break
			}
			if in.nested(a, b) {
				continue
			}
			in.found(Finding{
				"partitions-overlap", in.unlessDisc(Fault), fmt.Sprintf("Partitions %d and %d overlap.", a.Number, b.Number),
				fmt.Sprintf("LBA %d to %d and LBA %d to %d", a.StartLBA, a.StartLBA+a.Sectors-1, b.StartLBA, b.StartLBA+b.Sectors-1),
			})
		}
	}
}

func (in *inspection) nested(a, b *Partition) bool {
	logical := func(p *Partition) bool { return in.table.Kind == SchemeMBR && p.Number >= firstLogicalNumber }
	return (a.isExtended() && logical(b)) || (b.isExtended() && logical(a))
}

// judgeExtent tells where the table, its partitions or the one file system need a larger medium than this.
func (in *inspection) judgeExtent() {
	needed, what := uint64(0), ""
	if g := in.gpt; g != nil {
		last := max(g.lba, g.alternate)
		if last >= ^uint64(0)/g.sectorBytes {
			last = ^uint64(0)/g.sectorBytes - 1
		}
		needed, what = (last+1)*g.sectorBytes, "the GPT with its backup"
	}
	for i := range in.table.Partitions {
		p := &in.table.Partitions[i]
		if _, end, ok := in.table.span(p); ok && end > needed {
			needed, what = end, fmt.Sprintf("partition %d", p.Number)
		}
	}
	if fs := in.table.FileSystem; fs != nil && uint64(fs.SizeBytes) > needed {
		needed, what = uint64(fs.SizeBytes), "the file system "+describe(fs)
	}
	if needed > uint64(in.table.SizeBytes) {
		in.found(Finding{
			"needs-larger-card", Fault, "What the medium holds needs a larger card than this, or was cut off.",
			fmt.Sprintf("%s ends at byte %d, the medium at byte %d", what, needed, in.table.SizeBytes),
		})
	}
}

// describe names a file system in a sentence: its kind, and its label where it has one.
func describe(fs *FileSystem) string {
	if fs.Label == "" {
		return fs.Kind
	}
	return fs.Kind + " " + printable(fs.Label)
}

// printable keeps control characters of a label, which anyone may have written, out of a terminal.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || (r >= 0x7F && r < 0xA0) || (r >= 0x200B && r <= 0x200F) || (r >= 0x2028 && r <= 0x202E) ||
			(r >= 0x2066 && r <= 0x2069) {
			return '?'
		}
		return r
	}, text)
}
