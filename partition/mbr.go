package partition

import (
	"bytes"
	"fmt"
	"io/fs"

	"github.com/diskfs/go-diskfs/partition/mbr"
)

// The master boot record, UEFI 2.11, table 5.1; an extended boot record has the same form:
//
//	offset size
//	1B8h   4   disk id, LE
//	1BEh   16  entry 1: 0 boot flag (00 or 80h); 4 type; 8 first LBA, LE32; 12 sectors, LE32
//	1CEh..     entries 2 to 4
//	1FEh   2   55 AA
//
// The library decodes one such sector. Three things are done here: it refuses a sector for any odd boot flag, where the
// kernel still follows an extended chain; it does not follow that chain; and it says nothing of what is odd.
const (
	mbrEntriesAt  = 0x1BE
	mbrEntryBytes = 16
	mbrEntryCount = 4

	typeProtective = 0xEE

	firstLogicalNumber = 5
	maxChainLinks      = 100 // as libblkid of util-linux 2.38 caps it
)

// A bootRecord is one decoded MBR or EBR.
type bootRecord struct {
	id       string
	entries  [mbrEntryCount]mbrEntry
	oddFlags bool // a boot flag other than 00 and 80h
}

// An mbrEntry counts in sectors, from the origin that its record has.
type mbrEntry struct {
	kind            byte
	boot            bool
	offset, sectors uint64
}

func (e mbrEntry) used() bool     { return e.sectors != 0 }
func (e mbrEntry) extended() bool { return e.kind == 0x05 || e.kind == 0x0F || e.kind == 0x85 }

// A sectorFile lets the library read a sector that is already in memory.
type sectorFile struct{ *bytes.Reader }

func (sectorFile) Close() error               { return nil }
func (sectorFile) Stat() (fs.FileInfo, error) { return nil, fs.ErrInvalid }

// decodeBootRecord gives false where the sector does not end in 55 AA. It leaves sector as it is.
func decodeBootRecord(sector []byte) (bootRecord, bool) {
	var record bootRecord
	if len(sector) < 512 || sector[0x1FE] != 0x55 || sector[0x1FF] != 0xAA {
		return record, false
	}
	own := bytes.Clone(sector[:512])
	for i := range mbrEntryCount {
		flag := &own[mbrEntriesAt+i*mbrEntryBytes]
		if *flag != 0 && *flag != 0x80 {
			record.oddFlags, *flag = true, 0
		}
	}
	table, err := mbr.Read(sectorFile{bytes.NewReader(own)}, 512, 512)
	if err != nil || len(table.Partitions) != mbrEntryCount {
		return record, false
	}
	record.id = table.UUID()
	for i, p := range table.Partitions {
		record.entries[i] = mbrEntry{kind: byte(p.Type), boot: p.Bootable, offset: uint64(p.Start), sectors: uint64(p.Size)}
	}
	return record, true
}

func (r *bootRecord) protective() bool {
	for _, entry := range r.entries {
		if entry.kind == typeProtective {
			return true
		}
	}
	return false
}

// lists says whether any entry beside a protective one is in use.
func (r *bootRecord) lists() bool {
	for _, entry := range r.entries {
		if entry.used() && entry.kind != typeProtective {
			return true
		}
	}
	return false
}

// takeMBR lists the primary and the logical partitions. An unused entry keeps its number free.
func (in *inspection) takeMBR(record *bootRecord) error {
	in.table.Kind, in.table.ID = SchemeMBR, record.id
	for i, entry := range record.entries {
		if entry.used() && entry.kind != typeProtective {
			in.add(i+1, entry, 0)
		}
	}
	chain := chainWalk{inspection: in, visited: map[uint64]bool{}, number: firstLogicalNumber}
	for _, entry := range record.entries {
		if entry.used() && entry.extended() {
			if err := chain.walk(entry); err != nil {
				return err
			}
		}
	}
	return nil
}

func (in *inspection) add(number int, entry mbrEntry, originLBA uint64) {
	in.table.Partitions = append(in.table.Partitions, Partition{
		Number: number, StartLBA: originLBA + entry.offset, Sectors: entry.sectors,
		Type: fmt.Sprintf("%02x", entry.kind), Boot: entry.boot,
	})
}

// A chainWalk follows extended boot records. What it has visited and numbered is common to all chains of a table.
type chainWalk struct {
	*inspection
	visited map[uint64]bool
	number  int
}

// walk follows one chain. A record's own partition is counted from that record, the link to the next one from the first:
//
//	extended   +-EBR-+----------+-EBR-+----------+
//	partition  |     | logical 5|     | logical 6|
//	           +-----+----------+-----+----------+
//	           ^ origin of all links  ^ origin of logical 6
func (c *chainWalk) walk(extended mbrEntry) error {
	for lba, from := extended.offset, uint64(0); ; {
		if c.stops(lba, from, extended) {
			return nil
		}
		record, ok, err := c.record(lba)
		if err != nil || !ok {
			return err
		}
		next, linked := c.takeLogical(record, lba, extended)
		if !linked {
			return nil
		}
		from, lba = lba, extended.offset+next.offset
	}
}

// stops tells why a chain must not be followed to lba, if so.
func (c *chainWalk) stops(lba, from uint64, extended mbrEntry) bool {
	evidence := fmt.Sprintf("link from LBA %d to LBA %d; extended partition LBA %d to %d", from, lba, extended.offset,
		extended.offset+extended.sectors-1)
	switch {
	case c.visited[lba] || lba == 0: // the record at 0 is the table itself, and no link
		c.found(Finding{"extended-chain-loop", Fault, "The chain of logical partitions leads back to where it has been.", evidence})
	case lba < extended.offset || lba >= extended.offset+extended.sectors:
		c.found(Finding{"extended-chain-escape", Fault, "The chain of logical partitions leads out of its extended partition.", evidence})
	case len(c.visited) >= maxChainLinks:
		c.found(Finding{
			"extended-chain-long", Warning, "The chain of logical partitions is too long and was not followed to its end.",
			fmt.Sprintf("%d links followed", len(c.visited)),
		})
	default:
		c.visited[lba] = true
		return false
	}
	return true
}

func (c *chainWalk) record(lba uint64) (bootRecord, bool, error) {
	sector, err := c.medium.bytes(lba*uint64(c.table.SectorBytes), 512)
	if err != nil {
		return bootRecord{}, false, err
	}
	evidence := fmt.Sprintf("LBA %d", lba)
	if sector == nil {
		c.found(Finding{"extended-chain-cut", Fault, "The chain of logical partitions leads beyond the end of the medium.", evidence})
		return bootRecord{}, false, nil
	}
	record, ok := decodeBootRecord(sector)
	if !ok {
		c.found(Finding{"extended-chain-broken", Fault, "A link of the chain of logical partitions holds no boot record.", evidence})
	}
	if record.oddFlags {
		c.found(Finding{"boot-flag-odd", Warning, "A logical partition's boot flag is neither set nor clear.", evidence})
	}
	return record, ok, nil
}

// takeLogical lists the partitions of one EBR and gives its link. Slots 3 and 4 are used by no common tool; like the
// kernel it takes them only where they lie within the extended partition.
func (c *chainWalk) takeLogical(record bootRecord, lba uint64, extended mbrEntry) (next mbrEntry, linked bool) {
	end := extended.offset + extended.sectors
	for i, entry := range record.entries {
		if !entry.used() {
			continue
		}
		if entry.extended() {
			if !linked {
				next, linked = entry, true
			}
			continue
		}
		inside := lba+entry.offset >= extended.offset && lba+entry.offset+entry.sectors <= end
		if !inside && i >= 2 {
			continue
		}
		if !inside {
			c.found(Finding{
				"logical-outside-extended", Warning,
				fmt.Sprintf("Logical partition %d lies outside its extended partition.", c.number),
				fmt.Sprintf("LBA %d to %d; extended partition LBA %d to %d", lba+entry.offset, lba+entry.offset+entry.sectors-1,
					extended.offset, end-1),
			})
		}
		c.add(c.number, entry, lba)
		c.number++
	}
	return next, linked
}
