package partition_test

import (
	"encoding/binary"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// twoParts is a small sound GPT; both partitions start on 4 MiB, so nothing at all is odd about it.
func twoParts(sectorBytes uint64) gptLayout {
	mib := (1 << 20) / sectorBytes
	return gptLayout{
		sectorBytes: sectorBytes, sectors: 16 * mib,
		parts: []gptPart{
			{efiSystem, "11111111-2222-4333-8444-555555555501", "firmware", 4 * mib, 8*mib - 1, 0},
			{},
			{linuxData, "11111111-2222-4333-8444-555555555502", "data", 8 * mib, 12*mib - 1, 4},
		},
	}
}

func wantTwoParts(sectorBytes uint64) []partition.Partition {
	mib := (1 << 20) / sectorBytes
	return []partition.Partition{
		{Number: 1, StartLBA: 4 * mib, Sectors: 4 * mib, Type: efiSystem, Name: "firmware", GUID: "11111111-2222-4333-8444-555555555501"},
		{Number: 3, StartLBA: 8 * mib, Sectors: 4 * mib, Type: linuxData, Name: "data", GUID: "11111111-2222-4333-8444-555555555502", Boot: true},
	}
}

func wantTable(t *testing.T, table *partition.Table, sectorBytes uint64) {
	t.Helper()
	if diff := cmp.Diff(wantTwoParts(sectorBytes), table.Partitions); diff != "" {
		t.Error(diff)
	}
	if table.Kind != partition.SchemeGPT || table.ID != diskGUID || table.SectorBytes != int64(sectorBytes) {
		t.Errorf("kind %s, id %s, sectors of %d bytes", table.Kind, table.ID, table.SectorBytes)
	}
}

func TestSoundGPTHasNoFindings(t *testing.T) {
	for _, sectorBytes := range []uint64{512, 4096} {
		content := twoParts(sectorBytes).write()
		table := inspectSized(t, content, int64(len(content)), int64(sectorBytes))
		wantTable(t, table, sectorBytes)
		if len(table.Findings) != 0 {
			t.Errorf("%+v", table.Findings)
		}
	}
}

// The header and both CRCs of util-linux's test image gpt.img (10,485,760 bytes): the entries' CRC is faa76117h, so a
// decoder that reads every field from its place computes f303c548h for the primary header and 49b8a601h for the backup.
func TestHeaderCRCOfPublishedSample(t *testing.T) {
	layout := gptLayout{sectorBytes: 512, sectors: 20480, count: 128, stride: 128}
	content := layout.write()
	for lba, crc := range map[int]uint32{1: 0xF303C548, 20479: 0x49B8A601} {
		header := content[lba*512:]
		binary.LittleEndian.PutUint32(header[88:], 0xFAA76117)
		binary.LittleEndian.PutUint32(header[16:], crc)
	}
	table := inspect(t, content)
	if f := finding(table, "gpt-header-crc-wrong"); f != nil {
		t.Errorf("%+v", *f)
	}
	f := finding(table, "gpt-entries-crc-wrong")
	if f == nil || !strings.Contains(f.Evidence, "stored faa76117") {
		t.Errorf("%+v", table.Findings)
	}
}

func TestGPTReadsAsTheLibraryReadsIt(t *testing.T) {
	content := twoParts(512).write()
	theirs, err := gpt.Read(newLibraryFile(content), 512, 512)
	if err != nil {
		t.Fatal(err)
	}
	table := inspect(t, content)
	if table.ID != theirs.UUID() {
		t.Errorf("id %s, want %s", table.ID, theirs.UUID())
	}
	for i, p := range theirs.Partitions {
		got := table.Partitions[i]
		if got.Number != p.Index || got.StartLBA != p.Start || got.StartLBA+got.Sectors-1 != p.End || got.Name != p.Name ||
			got.GUID != p.GUID || got.Type != string(p.Type) {
			t.Errorf("got %+v, want %+v", got, *p)
		}
	}
}

// A header of a size the given sector size does not announce.
func TestTableOfOtherSectorSizeIsRecognised(t *testing.T) {
	for given, own := range map[int64]uint64{512: 4096, 4096: 512} {
		content := twoParts(own).write()
		table := inspectSized(t, content, int64(len(content)), given)
		wantTable(t, table, own)
		if finding(table, "sector-size-differs") == nil {
			t.Errorf("given %d: %+v", given, table.Findings)
		}
		if given == 512 && !partition.Recognise(content[:128<<10]) {
			t.Error("not recognised by its first bytes")
		}
	}
}

func TestLongerEntriesAreRead(t *testing.T) {
	layout := twoParts(512)
	layout.stride, layout.count = 256, 64
	content := layout.write()
	wantTable(t, inspect(t, content), 512)
}

func TestBackupServesWhereThePrimaryIsDamaged(t *testing.T) {
	damages := map[string]func(content []byte){
		"header bit":     func(c []byte) { c[512+40] ^= 1 },
		"header zeroed":  func(c []byte) { clear(c[512:1024]) },
		"entry bit":      func(c []byte) { c[1024+60] ^= 1 },
		"entries beyond": func(c []byte) { binary.LittleEndian.PutUint64(c[512+72:], 1<<40); sealHeader(c[512:1024]) },
		"2^32 entries":   func(c []byte) { binary.LittleEndian.PutUint32(c[512+80:], 1<<32-1); sealHeader(c[512:1024]) },
		"huge entries":   func(c []byte) { binary.LittleEndian.PutUint32(c[512+84:], 1<<31); sealHeader(c[512:1024]) },
		"no entry size":  func(c []byte) { binary.LittleEndian.PutUint32(c[512+84:], 0); sealHeader(c[512:1024]) },
		"wrong place":    func(c []byte) { binary.LittleEndian.PutUint64(c[512+24:], 7); sealHeader(c[512:1024]) },
		"long header":    func(c []byte) { binary.LittleEndian.PutUint32(c[512+12:], 1<<31) },
	}
	for name, damage := range damages {
		t.Run(name, func(t *testing.T) {
			content := twoParts(512).write()
			damage(content)
			table := inspect(t, content)
			wantTable(t, table, 512)
			f := finding(table, "gpt-primary-damaged")
			if f == nil || f.Severity != partition.Fault || !strings.Contains(f.Evidence, "32767") {
				t.Errorf("%+v", table.Findings)
			}
		})
	}
}

// The card is larger than the image, so the backup is not at its end; it is found where the protective entry ends.
func TestBackupServesOnLargerCardWithPrimaryGone(t *testing.T) {
	content := twoParts(512).write()
	clear(content[512:1024])
	table := inspectSized(t, content, int64(len(content))+1<<20, 512)
	wantTable(t, table, 512)
	if finding(table, "gpt-primary-damaged") == nil {
		t.Errorf("%+v", table.Findings)
	}
}

func TestBackupOffTheEndOfLargerCardIsInformationOnly(t *testing.T) {
	content := twoParts(512).write()
	table := inspectSized(t, content, int64(len(content))+1<<20, 512)
	wantTable(t, table, 512)
	if len(table.Findings) != 1 || table.Findings[0].Code != "gpt-backup-not-at-end" || table.Findings[0].Severity != partition.Information {
		t.Errorf("%+v", table.Findings)
	}
}
