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
		p.plain(fmt.Sprintf("%3s %12s %12s  %-10s %s", "#", "first sector", "sectors", "size", "holds"))
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

// partitionLines gives an entry of a table: where it lies and what it holds, then what the table calls it.
func partitionLines(part partition.Partition, sectorBytes int64) []string {
	first := fmt.Sprintf("%3d %12d %12d  %-10s %s", part.Number, part.StartLBA, part.Sectors,
		partitionSize(part, sectorBytes), fileSystemWords(part.FileSystem))
	second := strings.Repeat(" ", 30) + "  type " + part.Type
	if part.Boot {
		second += ", bootable"
	}
	if part.Name != "" {
		second += fmt.Sprintf(", name %q", part.Name)
	}
	lines := []string{cut(clean(first), screenColumns), cut(clean(second), screenColumns)}
	if part.GUID != "" {
		lines = append(lines, cut(clean(strings.Repeat(" ", 30)+"  GUID "+part.GUID), screenColumns))
	}
	return lines
}

// addTable tells in few lines what is on a card.
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
	if more := len(table.Partitions) - shown; more > 0 {
		p.add("", fmt.Sprintf("and %d more", more))
	}
}

// tableSummary names the table and counts its partitions.
func tableSummary(table *partition.Table) string {
	kind := map[partition.Scheme]string{
		partition.SchemeMBR: "an MBR", partition.SchemeGPT: "a GPT",
		partition.SchemeHybrid: "a GPT with partitions in its MBR too (hybrid)",
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
