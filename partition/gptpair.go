package partition

import (
	"fmt"
	"math"
	"slices"
)

// A gptPair is what there is of a GPT on a medium: either copy may be missing or damaged.
type gptPair struct {
	primary, backup *gptCopy
}

// best gives the copy to go by: the primary, unless only the backup is sound. It is nil where there is neither.
func (p gptPair) best() *gptCopy {
	switch {
	case p.primary.sound():
		return p.primary
	case p.backup.sound():
		return p.backup
	case p.primary.present():
		return p.primary
	default:
		return p.backup
	}
}

// sectorSizes gives the sector size to go by first, and the other that a table may have been made for.
func (in *inspection) sectorSizes() []uint64 {
	given := in.medium.sectorBytes
	switch given {
	case 512:
		return []uint64{512, 4096}
	case 4096:
		return []uint64{4096, 512}
	default:
		return []uint64{given, 512, 4096}
	}
}

// findGPT looks for both copies. An image for 4096-byte sectors has its primary header at byte 4096, so each sector size
// is tried, and a sound copy of any size goes before a damaged one.
func (in *inspection) findGPT(protectiveSectors uint64) (gptPair, error) {
	var best gptPair
	for _, sectorBytes := range in.sectorSizes() {
		pair, err := in.gptOfSectorSize(sectorBytes, protectiveSectors)
		if err != nil {
			return best, err
		}
		if pair.primary.sound() {
			return pair, nil
		}
		better := pair.backup.sound() && !best.best().sound()
		if better || best.best() == nil {
			best = pair
		}
	}
	return best, nil
}

func (in *inspection) gptOfSectorSize(sectorBytes, protectiveSectors uint64) (gptPair, error) {
	var pair gptPair
	var err error
	if pair.primary, err = readGPT(in.medium, sectorBytes, 1); err != nil {
		return pair, err
	}
	for _, lba := range in.backupPlaces(pair.primary, sectorBytes, protectiveSectors) {
		backup, err := readGPT(in.medium, sectorBytes, lba)
		if err != nil {
			return pair, err
		}
		if backup.sound() || (backup.present() && !pair.backup.present()) {
			pair.backup = backup
		}
		if pair.backup.sound() {
			break
		}
	}
	return pair, nil
}

// backupPlaces gives the LBAs where a backup may be: where a sound primary says. Without one: where the damaged primary
// says, at the medium's end, and at the end of what the protective entry covers, which is the image's own end. A primary is
// never its own backup.
func (in *inspection) backupPlaces(primary *gptCopy, sectorBytes, protectiveSectors uint64) []uint64 {
	var places []uint64
	if primary.present() {
		places = append(places, primary.alternate)
	}
	if !primary.sound() {
		places = append(places, in.lastLBA(sectorBytes), protectiveSectors)
	}
	return slices.DeleteFunc(places, func(lba uint64) bool { return lba <= 1 })
}

func (in *inspection) lastLBA(sectorBytes uint64) uint64 {
	sectors := in.medium.sizeBytes / sectorBytes
	if sectors == 0 {
		return 0
	}
	return sectors - 1
}

// takeGPT lists the partitions of the better copy and tells what is wrong with either.
func (in *inspection) takeGPT(pair gptPair) {
	in.table.Kind = SchemeGPT
	in.judgeCopies(pair)
	g := pair.best()
	if g == nil {
		return
	}
	in.table.ID, in.table.SectorBytes = g.guid, int64(g.sectorBytes)
	if g.sound() { // the ranges of a damaged header are nothing to judge by
		in.gpt = g
	}
	if g.sectorBytes != in.medium.sectorBytes {
		in.found(Finding{
			"sector-size-differs", Warning, "The partition table was made for another sector size, so a board may not find it.",
			fmt.Sprintf("table %d bytes, medium %d bytes", g.sectorBytes, in.medium.sectorBytes),
		})
	}
	for _, entry := range g.entries {
		partition := Partition{
			Number: entry.number, StartLBA: entry.firstLBA, Type: entry.kind, Name: entry.name, GUID: entry.guid,
			Boot: entry.legacyBootAttributes,
		}
		if entry.lastLBA >= entry.firstLBA { // what ends before it starts is told when partitions are judged
			partition.Sectors = entry.lastLBA - entry.firstLBA
			if partition.Sectors < math.MaxUint64 {
				partition.Sectors++
			}
		}
		in.table.Partitions = append(in.table.Partitions, partition)
	}
}

func (in *inspection) judgeCopies(pair gptPair) {
	for _, copied := range []*gptCopy{pair.primary, pair.backup} {
		if copied.present() {
			in.found(copied.problems...)
		}
	}
	switch {
	case pair.primary.sound():
		in.judgeBackup(pair)
	case pair.backup.sound():
		in.found(Finding{
			"gpt-primary-damaged", Fault, "The primary GPT is damaged or missing; its backup is sound and was used.",
			fmt.Sprintf("backup at LBA %d", pair.backup.lba),
		})
	default:
		in.found(Finding{
			"gpt-damaged", Fault, "Neither copy of the GPT is sound, so no system will find these partitions.",
			fmt.Sprintf("primary %s, backup %s", pair.primary.state(), pair.backup.state()),
		})
	}
}

func (g *gptCopy) state() string {
	switch {
	case g.sound():
		return "sound"
	case g.present():
		return "damaged"
	default:
		return "missing"
	}
}

// judgeBackup holds the backup against a sound primary.
func (in *inspection) judgeBackup(pair gptPair) {
	g, last := pair.primary, in.lastLBA(pair.primary.sectorBytes)
	evidence := fmt.Sprintf("backup at LBA %d, last LBA %d", g.alternate, last)
	switch {
	case g.alternate > last:
		in.found(Finding{"gpt-backup-beyond-end", Fault, "The GPT's backup would lie beyond the end of the medium.", evidence})
	case pair.backup.sound():
		in.judgeAgreement(pair)
		if g.alternate != last {
			in.found(Finding{
				"gpt-backup-not-at-end", Information,
				"The GPT's backup is sound but not at the medium's end, as the image is smaller than the medium.", evidence,
			})
		}
	case pair.backup.present():
		in.found(Finding{"gpt-backup-damaged", Warning, "The GPT's backup is damaged; the primary is sound.", evidence})
	default:
		in.found(Finding{"gpt-backup-missing", Warning, "The GPT's backup is missing; the primary is sound.", evidence})
	}
}

func (in *inspection) judgeAgreement(pair gptPair) {
	p, b := pair.primary, pair.backup
	if p.guid == b.guid && p.firstUsable == b.firstUsable && p.lastUsable == b.lastUsable && b.alternate == p.lba &&
		slices.Equal(p.entries, b.entries) {
		return
	}
	in.found(Finding{
		"gpt-copies-disagree", Warning, "The GPT and its backup are both sound but do not say the same.",
		fmt.Sprintf("primary: disk %s, usable LBA %d to %d, %d partitions, CRC %08x; backup: disk %s, usable LBA %d to %d, "+
			"%d partitions, CRC %08x, made for a primary at LBA %d", p.guid, p.firstUsable, p.lastUsable, len(p.entries),
			p.entriesCRC, b.guid, b.firstUsable, b.lastUsable, len(b.entries), b.entriesCRC, b.alternate),
	})
}

// noteOldBackup tells of another backup at the end of a medium that is larger than the image: a tool that repairs the table
// from the end would bring back an older one.
func (in *inspection) noteOldBackup(primary *gptCopy) error {
	last := in.lastLBA(primary.sectorBytes)
	if primary.alternate >= last {
		return nil
	}
	old, err := readGPT(in.medium, primary.sectorBytes, last)
	if err != nil || !old.sound() {
		return err
	}
	in.found(Finding{
		"gpt-remains", Warning, "A sound GPT copy that belongs to another table lies at the medium's end.",
		fmt.Sprintf("header at LBA %d, disk %s, %d partitions", last, old.guid, len(old.entries)),
	})
	return nil
}

// noteRemains tells of a GPT that lies beside an MBR which does not announce it: systems pass it by, some tools do not.
func (in *inspection) noteRemains() error {
	for _, sectorBytes := range in.sectorSizes() {
		for _, lba := range []uint64{1, in.lastLBA(sectorBytes)} {
			g, err := readGPT(in.medium, sectorBytes, lba)
			if err != nil {
				return err
			}
			if lba == 0 || !g.sound() {
				continue
			}
			in.found(Finding{
				"gpt-remains", Warning, "A sound GPT copy lies on the medium that no protective MBR announces.",
				fmt.Sprintf("header at byte %d, disk %s, %d partitions", lba*sectorBytes, g.guid, len(g.entries)),
			})
		}
	}
	return nil
}
