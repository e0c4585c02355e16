package partition_test

import (
	"bytes"
	"encoding/binary"
	"strings"
	"testing"

	"cardwright/partition"
)

const mib = 1 << 20

// mbrMedium is a medium of sizeMiB whose MBR lists the entries.
func mbrMedium(sizeMiB int, entries ...entry) []byte {
	content := make([]byte, sizeMiB*mib)
	putMBR(content, 0x5EEDCA4D, entries...)
	return content
}

func withFileSystem(t *testing.T, content []byte, startLBA int, name string) []byte {
	t.Helper()
	copy(content[startLBA*512:], expand(t, "filesystems/"+name+".zst"))
	return content
}

func edited(content []byte, edit func([]byte)) []byte {
	edit(content)
	return content
}

// A findingCase is a medium that shows one finding, and a word its evidence must hold.
type findingCase struct {
	code     string
	severity partition.Severity
	evidence string
	content  []byte
}

func mbrFindings(t *testing.T) []findingCase {
	whole := entry{0, 0x83, 8192, 8192}
	return []findingCase{
		{"partitions-overlap", partition.Fault, "LBA 8192 to 16383 and LBA 16383 to 16384", mbrMedium(16, whole, entry{0, 0x83, 16383, 2})},
		{"partition-beyond-end", partition.Fault, "LBA 8192, 24577 sectors", mbrMedium(16, entry{0, 0x83, 8192, 24577})},
		{"needs-larger-card", partition.Fault, "ends at byte 16777728, the medium at byte 16777216", mbrMedium(16, entry{0, 0x83, 8192, 24577})},
		{"partition-covers-table", partition.Warning, "LBA 0", mbrMedium(16, entry{0, 0x83, 0, 8192})},
		{"partition-not-on-4mib", partition.Information, "1048576", mbrMedium(16, entry{0, 0x83, 2048, 8192})},
		{"table-empty", partition.Information, "5eedca4d", mbrMedium(16)},
		{"nothing-recognised", partition.Information, "1048576", make([]byte, mib)},
		{
			"filesystem-exceeds-partition", partition.Fault, "ext4 of 4194304 bytes in 4193792 bytes",
			withFileSystem(t, mbrMedium(16, entry{0, 0x83, 8192, 8191}), 8192, "ext4"),
		},
		{"type-content-mismatch", partition.Warning, "type 83, holds fat16", withFileSystem(t, mbrMedium(32, entry{0, 0x83, 8192, 32768}), 8192, "fat16")},
		{"type-content-mismatch", partition.Warning, "type 0c, holds ext4", withFileSystem(t, mbrMedium(16, entry{0, 0x0C, 8192, 8192}), 8192, "ext4")},
		{"type-content-mismatch", partition.Warning, "type 07, holds ext4", withFileSystem(t, mbrMedium(16, entry{0, 0x07, 8192, 8192}), 8192, "ext4")},
		{"type-content-mismatch", partition.Warning, "type 82, holds ext4", withFileSystem(t, mbrMedium(16, entry{0, 0x82, 8192, 8192}), 8192, "ext4")},
		{"unpartitioned", partition.Information, "ext4", withFileSystem(t, make([]byte, 4*mib), 0, "ext4")},
		{"needs-larger-card", partition.Fault, "file system ext4", withFileSystem(t, make([]byte, 2*mib), 0, "ext4")},
		{"signature-beside-table", partition.Information, "ext4", edited(withFileSystem(t, make([]byte, 16*mib), 0, "ext4"), func(c []byte) {
			putMBR(c, 1, entry{0, 0x83, 8192, 8192})
		})},
		{"iso-hybrid", partition.Information, "iso9660 MyISO", edited(withFileSystem(t, make([]byte, 16*mib), 0, "iso9660"), func(c []byte) {
			putMBR(c, 1, entry{0x80, 0x17, 0, 8192}, entry{0, 0xEF, 400, 64})
		})},
		{"several-signatures", partition.Information, "luks1, swap", edited(withFileSystem(t, withFileSystem(t, make([]byte, 16*mib), 0, "swap"), 0, "luks1"), func([]byte) {})},
		{"gpt-remains", partition.Warning, "header at byte 512", edited(twoParts(512).write(), func(c []byte) {
			putMBR(c, 1, entry{0, 0x83, 8192, 8192})
		})},
	}
}

// extendedAt is a medium with one extended partition of 4 MiB from 4 MiB on, and in it the given EBRs by LBA.
func extendedAt(ebrs map[int][]entry) []byte {
	content := mbrMedium(16, entry{0, 0x0F, 8192, 8192})
	for lba, entries := range ebrs {
		putMBR(content[lba*512:][:512], 0, entries...)
	}
	return content
}

func chainFindings() []findingCase {
	data := entry{0, 0x83, 64, 64}
	return []findingCase{
		{"extended-chain-loop", partition.Fault, "to LBA 8192", extendedAt(map[int][]entry{
			8192: {data, {0, 0x05, 1024, 1024}}, 9216: {data, {0, 0x05, 0, 1024}},
		})},
		{"extended-chain-escape", partition.Fault, "from LBA 8192 to LBA 16384", extendedAt(map[int][]entry{8192: {data, {0, 0x05, 8192, 64}}})},
		{"extended-chain-broken", partition.Fault, "LBA 9216", extendedAt(map[int][]entry{8192: {data, {0, 0x85, 1024, 64}}})},
		{"extended-chain-cut", partition.Fault, "LBA 40000", mbrMedium(16, entry{0, 0x05, 40000, 64})},
		{"extended-chain-long", partition.Warning, "100 links", edited(extendedAt(nil), func(c []byte) {
			for i := range 200 {
				putMBR(c[(8192+2*i)*512:][:512], 0, entry{0, 0x83, 1, 1}, entry{0, 0x05, uint32(2*i + 2), 2})
			}
		})},
		{"boot-flag-odd", partition.Warning, "LBA 8192", extendedAt(map[int][]entry{8192: {{0x7F, 0x83, 64, 64}}})},
		{"logical-outside-extended", partition.Warning, "LBA 16383 to 16447", extendedAt(map[int][]entry{8192: {{0, 0x83, 8191, 65}}})},
	}
}

func gptFindings() []findingCase {
	sound := func(edit func([]byte)) []byte { return edited(twoParts(512).write(), edit) }
	moved := func(first, last uint64) []byte {
		g := twoParts(512)
		g.parts[0].first, g.parts[0].last = first, last
		return g.write()
	}
	const backup = 32767 * 512
	many := gptLayout{sectorBytes: 512, sectors: 32768, count: 512}
	for i := range uint64(300) {
		many.parts = append(many.parts, gptPart{linuxData, "11111111-2222-4333-8444-555555555501", "", 8192 + i, 8192 + i, 0})
	}
	return []findingCase{
		{"gpt-header-crc-wrong", partition.Warning, "LBA 1: stored", sound(func(c []byte) { c[512+16] ^= 0x80 })},
		{"gpt-entries-crc-wrong", partition.Warning, "LBA 1: stored", sound(func(c []byte) { c[1024+70] ^= 1 })},
		{"gpt-header-misplaced", partition.Warning, "at LBA 1, made for LBA 9", sound(func(c []byte) { c[512+24] = 9; sealHeader(c[512:]) })},
		{"gpt-header-malformed", partition.Warning, "usable LBA 34 to 0", sound(func(c []byte) { clear(c[512+48 : 512+56]); sealHeader(c[512:]) })},
		{"gpt-entries-missing", partition.Warning, "entries from LBA", sound(func(c []byte) { c[512+77] = 1; sealHeader(c[512:]) })},
		{"gpt-primary-damaged", partition.Fault, "backup at LBA 32767", sound(func(c []byte) { c[512] = 0 })},
		{"gpt-damaged", partition.Fault, "primary damaged, backup missing", sound(func(c []byte) { c[512+16] ^= 1; c[backup] = 0 })},
		{"gpt-damaged", partition.Fault, "primary missing, backup missing", mbrMedium(16, entry{0, 0xEE, 1, 32767})},
		{"gpt-backup-missing", partition.Warning, "LBA 32767, last LBA 32767", sound(func(c []byte) { c[backup] = 0 })},
		{"gpt-backup-damaged", partition.Warning, "LBA 32767", sound(func(c []byte) { c[backup+60] ^= 1 })},
		{"gpt-backup-beyond-end", partition.Fault, "LBA 32767, last LBA 32765", twoParts(512).write()[:32766*512]},
		{"needs-larger-card", partition.Fault, "ends at byte 16777216, the medium at byte 16776192", twoParts(512).write()[:32766*512]},
		{"gpt-backup-not-at-end", partition.Information, "last LBA 32775", append(twoParts(512).write(), make([]byte, 4096)...)},
		{"gpt-remains", partition.Warning, "header at LBA 34815", edited(append(twoParts(512).write(), make([]byte, mib)...), func(c []byte) {
			older := gptLayout{sectorBytes: 512, sectors: 34816, parts: twoParts(512).parts[:1]}.write()
			copy(c[16*mib:], older[16*mib:])
		})},
		{"gpt-copies-disagree", partition.Warning, "CRC", sound(func(c []byte) { c[backup+56] ^= 1; sealHeader(c[backup:]) })},
		{"protective-mbr-missing", partition.Fault, "byte 512", sound(func(c []byte) { clear(c[:512]) })},
		{"hybrid-mbr", partition.Information, "00000001", sound(func(c []byte) { putMBR(c, 1, entry{0, 0xEE, 1, 8191}, entry{0, 0x0C, 8192, 8192}) })},
		{"hybrid-entry-unmatched", partition.Warning, "LBA 8193 to 16384", sound(func(c []byte) { putMBR(c, 1, entry{0, 0xEE, 1, 8191}, entry{0, 0x0C, 8193, 8192}) })},
		{"sector-size-differs", partition.Warning, "table 4096 bytes, medium 512 bytes", twoParts(4096).write()},
		{"partition-outside-usable", partition.Fault, "usable LBA 34 to 32734", moved(33, 100)},
		{"partition-ends-before-start", partition.Fault, "LBA 9000", moved(9000, 8999)},
		{"partition-beyond-end", partition.Fault, "18446744073709543424 sectors", moved(8192, 1<<64-1)},
		{"partitions-overlap", partition.Fault, "LBA 8192 to 16384 and LBA 16384 to 24575", moved(8192, 16384)},
		{"many-partitions", partition.Warning, "300 partitions, 256 looked at", many.write()},
	}
}

func TestEveryFindingIsTold(t *testing.T) {
	cases := append(append(mbrFindings(t), chainFindings()...), gptFindings()...)
	for _, c := range cases {
		t.Run(c.code, func(t *testing.T) {
			before := bytes.Clone(c.content)
			table := inspect(t, c.content)
			f := finding(table, c.code)
			if f == nil {
				t.Fatalf("not told; findings %+v", table.Findings)
			}
			if f.Severity != c.severity || !strings.Contains(f.Evidence, c.evidence) {
				t.Errorf("%+v, want %s and %q in the evidence", *f, c.severity, c.evidence)
			}
			if !strings.HasSuffix(f.Sentence, ".") || strings.Count(f.Sentence, ". ") != 0 {
				t.Errorf("not one sentence: %q", f.Sentence)
			}
			if !bytes.Equal(before, c.content) {
				t.Error("the medium's bytes were changed")
			}
		})
	}
}

// A clean medium of each scheme, with file systems that fill their partitions, shows nothing at all.
func TestCleanMediaHaveNoFindings(t *testing.T) {
	clean := withFileSystem(t, mbrMedium(48, entry{0x80, 0x0C, 8192, 32768}, entry{0, 0x83, 40960, 8192}), 8192, "fat16")
	clean = withFileSystem(t, clean, 40960, "ext4")
	table := inspect(t, clean)
	if len(table.Findings) != 0 || table.Partitions[0].FileSystem == nil || table.Partitions[1].FileSystem == nil {
		t.Errorf("%+v", table)
	}
}

func TestFindingsOfOneCodeAreBounded(t *testing.T) {
	g := gptLayout{sectorBytes: 512, sectors: 32768, count: 8192}
	for range 8192 {
		g.parts = append(g.parts, gptPart{linuxData, diskGUID, "", 9000, 9100, 0})
	}
	table := inspect(t, g.write())
	counts := map[string]int{}
	for _, f := range table.Findings {
		counts[f.Code]++
	}
	if counts["partitions-overlap"] != 17 || counts["partition-not-on-4mib"] != 17 {
		t.Errorf("%v", counts)
	}
}

// Logical partitions lie in their extended one, which is no overlap.
func TestLogicalPartitionsAreNoOverlap(t *testing.T) {
	content := extendedAt(map[int][]entry{8192: {{0, 0x83, 64, 64}, {0, 0x05, 1024, 1024}}, 9216: {{0, 0x83, 64, 64}}})
	table := inspect(t, content)
	if len(table.Partitions) != 3 || table.Partitions[2].Number != 6 || table.Partitions[2].StartLBA != 9216+64 {
		t.Errorf("%+v", table.Partitions)
	}
	if f := finding(table, "partitions-overlap"); f != nil {
		t.Errorf("%+v", *f)
	}
}

// An unused slot keeps its number, and a slot of type 0 that has a size is listed, as sfdisk does.
func TestUnusedSlotKeepsItsNumber(t *testing.T) {
	table := inspect(t, mbrMedium(16, entry{}, entry{0, 0, 8192, 16}, entry{}, entry{0, 0xDA, 16384, 16}))
	if len(table.Partitions) != 2 || table.Partitions[0].Number != 2 || table.Partitions[1].Number != 4 {
		t.Errorf("%+v", table.Partitions)
	}
}

// Boot code that merely ends in 55 AA is no table: libblkid asks for boot flags of 00 or 80h.
func TestOddBootFlagIsNoMBR(t *testing.T) {
	table := inspect(t, mbrMedium(1, entry{0x12, 0x83, 8192, 16}))
	if table.Kind != partition.SchemeNone {
		t.Errorf("%+v", table)
	}
}

// The three whose boot sector ends in 55 AA, with bytes that would pass for entries.
func TestBootSectorIsNoMBR(t *testing.T) {
	for _, name := range []string{"fat12", "fat16", "fat32", "exfat", "ntfs"} {
		content := withFileSystem(t, make([]byte, 48*mib), 0, name)
		slot := content[446:]
		slot[4] = 0x83
		binary.LittleEndian.PutUint32(slot[8:], 2048)
		binary.LittleEndian.PutUint32(slot[12:], 2048)
		table := inspect(t, content)
		if table.Kind != partition.SchemeNone || table.FileSystem == nil || table.FileSystem.Kind != name {
			t.Errorf("%s: %+v", name, table)
		}
	}
}

// Like the kernel, an EBR's third and fourth slot are taken only where they lie within the extended partition.
func TestLateSlotsOfAnEBRMustLieInside(t *testing.T) {
	slots := []entry{{0, 0x83, 64, 64}, {}, {0, 0x83, 128, 64}, {0, 0x83, 16384, 64}}
	table := inspect(t, extendedAt(map[int][]entry{8192: slots}))
	if len(table.Partitions) != 3 || table.Partitions[2].StartLBA != 8192+128 {
		t.Errorf("%+v", table.Partitions)
	}
}

// What a header with a wrong checksum says of its ranges is nothing to judge by, and a count that is impossible is told as
// such before anything is read.
func TestDamagedHeaderIsNotBelieved(t *testing.T) {
	content := twoParts(512).write()
	clear(content[32767*512:])
	content[512+39] = 0x7F // the backup's LBA
	table := inspect(t, content)
	wantTable(t, table, 512)
	if finding(table, "needs-larger-card") != nil || finding(table, "gpt-damaged") == nil {
		t.Errorf("%+v", table.Findings)
	}
	content = twoParts(512).write()
	binary.LittleEndian.PutUint32(content[512+80:], 1<<32-1)
	sealHeader(content[512:])
	if f := finding(inspect(t, content), "gpt-header-malformed"); f == nil || !strings.Contains(f.Evidence, "4294967295 entries") {
		t.Error("an impossible count is not told")
	}
}
