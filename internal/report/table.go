package report

import (
	"fmt"
	"io"
	"strings"

	"cardwright/partition"
)

// Table prints a partition table for a terminal: the table, each partition with its file system, and every finding.
func Table(w io.Writer, table *partition.Table) error {
	p := &page{}
	p.plain(fmt.Sprintf("%s; %s in sectors of %d bytes.", tableSummary(table), Capacity(table.SizeBytes), table.SectorBytes))
	if len(table.Partitions) > 0 {
		p.blank()
		p.lines = append(p.lines, fmt.Sprintf("%3s %12s %12s  %-10s %s", "#", "first sector", "sectors", "size", "holds"))
	}
	for _, part := range table.Partitions {
		p.lines = append(p.lines, partitionLines(part, table.SectorBytes)...)
	}
	if len(table.Findings) > 0 {
		p.blank()
	}
	for _, severity := range severities() {
		for _, finding := range table.Findings {
			if finding.Severity == severity {
				p.plain(findingSentence(finding))
			}
		}
	}
	return p.writeTo(w)
}

// partitionLines gives an entry of a table: where it lies and what it holds, then what the table says of it.
func partitionLines(part partition.Partition, sectorBytes int64) []string {
	holds, uuid := part.FileSystem, ""
	if holds != nil {
		uuid = holds.UUID
		holds = &partition.FileSystem{Kind: holds.Kind, Label: holds.Label}
	}
	first := fmt.Sprintf("%3d %12d %12d  %-10s %s", part.Number, part.StartLBA, part.Sectors,
		partitionSize(part, sectorBytes), fileSystemWords(holds))
	lines := []string{Cut(Printable(first), screenColumns)}
	name, bootable := "", ""
	if part.Name != "" {
		name = fmt.Sprintf("name %q", part.Name)
	}
	if part.Boot {
		bootable = "bootable"
	}
	const indent = "    "
	about := nonEmpty(name, prefixed("type ", part.Type), bootable, prefixed("GUID ", part.GUID),
		prefixed("file system ", uuid))
	for _, line := range Wrapped(Printable(strings.Join(about, ", ")), screenColumns-len(indent)) {
		lines = append(lines, indent+line)
	}
	return lines
}

// addTable tells in few lines what is on a card: how many partitions, and the first of them.
func addTable(p *page, table *partition.Table, most int) {
	if table == nil {
		return
	}
	p.addUpTo(2, "On it", tableSummary(table))
	shown := min(most, len(table.Partitions))
	for _, part := range table.Partitions[:shown] {
		p.addUpTo(1, "", fmt.Sprintf("%d: %s, %s", part.Number, partitionSize(part, table.SectorBytes),
			fileSystemWords(part.FileSystem)))
	}
}

// tableSummary names the table and counts its partitions.
func tableSummary(table *partition.Table) string {
	kind := map[partition.Scheme]string{
		partition.SchemeMBR: "MBR", partition.SchemeGPT: "GPT",
		partition.SchemeHybrid: "GPT with partitions in its MBR too (hybrid)",
	}[table.Kind]
	if kind == "" {
		if table.FileSystem == nil {
			return "no partition table and no known file system"
		}
		return "no partition table, one file system: " + fileSystemWords(table.FileSystem)
	}
	if table.ID != "" {
		kind += ", id " + table.ID
	}
	return kind + ", " + count(len(table.Partitions), "partition")
}

// fileSystemWords names a file system: its kind, its label, its UUID.
func fileSystemWords(fs *partition.FileSystem) string {
	if fs == nil {
		return "no known file system"
	}
	text := fs.Kind
	if fs.Label != "" {
		text += fmt.Sprintf(" %q", fs.Label)
	}
	if fs.UUID != "" {
		text += " " + fs.UUID
	}
	return text
}

// partitionSize gives a partition's size. The sectors come from the card and may stand for more bytes than there are.
func partitionSize(part partition.Partition, sectorBytes int64) string {
	const maxBytes = 1<<63 - 1
	if sectorBytes > 0 && part.Sectors > uint64(maxBytes/sectorBytes) {
		return "beyond any card"
	}
	return Size(int64(part.Sectors) * sectorBytes)
}
