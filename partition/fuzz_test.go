package partition_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"hash/crc32"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

func FuzzInspect(f *testing.F) {
	f.Add(twoParts(512).write()[:34*512], int64(16*mib), false)
	f.Add(mbrMedium(1, entry{0x80, 0x0C, 8192, 8192}, entry{0, 0x0F, 16384, 8192})[:512], int64(16*mib), false)
	f.Add(twoParts(4096).write()[:6*4096], int64(1)<<62, true)
	f.Add([]byte{}, int64(0), true)
	f.Fuzz(func(t *testing.T, content []byte, sizeBytes int64, large bool) {
		sectorBytes := int64(512)
		if large {
			sectorBytes = 4096
		}
		soundly(t, content, max(sizeBytes, 0), sectorBytes)
		if partition.Recognise(content) != partition.Recognise(append(bytes.Clone(content), 0)) {
			t.Error("zeros behind a prefix decide whether it is recognised")
		}
	})
}

func FuzzMBR(f *testing.F) {
	content := make([]byte, 512)
	putMBR(content, 7, entry{0x80, 0x0C, 8192, 8192}, entry{0, 0x05, 16384, 1 << 31}, entry{0, 0xEE, 1, 1<<32 - 1})
	f.Add(bytes.Clone(content[440:510]))
	putMBR(content, 7, entry{0x80, 0x0C, 8192, 8192}, entry{0, 0x83, 16384, 1 << 31}, entry{0, 0x05, 1, 1<<32 - 1})
	f.Add(bytes.Clone(content[440:510]))
	putMBR(content, 7, entry{0x80, 0x0C, 8192, 8192}, entry{0, 0x83, 16384, 1 << 31}, entry{0, 0x05, 0, 16384})
	f.Add(bytes.Clone(content[440:510]))
	f.Fuzz(func(t *testing.T, fields []byte) {
		table := soundly(t, masterRecord(fields), 64*mib, 512)
		if table.Kind == partition.SchemeMBR && len(table.Partitions) > 4 {
			t.Errorf("%d partitions, of which no sector tells", len(table.Partitions))
		}
	})
}

// masterRecord lays fields, from the disk id on, into an MBR.
func masterRecord(fields []byte) []byte {
	sector := make([]byte, 512)
	copy(sector[440:], fields)
	sector[510], sector[511] = 0x55, 0xAA
	for i := range 4 {
		sector[446+16*i] &= 0x80 // else it is no MBR
	}
	return sector
}

// FuzzEBR lays records of 66 bytes, entries and signature, on every second sector of an extended partition.
func FuzzEBR(f *testing.F) {
	loop := make([]byte, 512)
	putMBR(loop, 0, entry{0, 0x83, 1, 1}, entry{0, 0x05, 0, 64})
	next := make([]byte, 512)
	putMBR(next, 0, entry{0, 0x83, 1, 1}, entry{0, 0x85, 2, 64})
	f.Add(append(next[446:], loop[446:]...))
	f.Add(loop[446:])
	f.Fuzz(func(t *testing.T, records []byte) {
		content := make([]byte, 256<<10)
		putMBR(content, 1, entry{0, 0x0F, 16, 400})
		for at := 16; len(records) >= 66 && at < 500; at, records = at+2, records[66:] {
			copy(content[at*512+446:], records[:66])
		}
		table := soundly(t, content, int64(len(content)), 512)
		if most := 1 + 100*4; len(table.Partitions) > most { // 100 links, each with four slots
			t.Errorf("%d partitions, more than %d", len(table.Partitions), most)
		}
	})
}

// smallGPT is a medium of 64 KiB: the backup lies at its end, within a short content's reach.
func smallGPT(parts ...gptPart) []byte {
	return gptLayout{sectorBytes: 512, sectors: smallGPTSectors, parts: parts}.write()
}

const (
	smallGPTSectors  = 128
	smallBackup      = (smallGPTSectors - 1) * 512
	smallBackupArray = smallBackup - 32*512
)

func smallParts() []gptPart {
	return []gptPart{
		{efiSystem, "11111111-2222-4333-8444-555555555501", "firmware", 34, 60, 0},
		{linuxData, "11111111-2222-4333-8444-555555555502", "data", 61, 94, 4},
	}
}

// sealGPT makes the checksums of a copy right, as far as its fields name entries inside the content: a fuzzer would hardly get
// past them.
func sealGPT(content []byte, headerAt int) {
	header := content[headerAt:][:512]
	copy(header, "EFI PART")
	binary.LittleEndian.PutUint32(header[12:], 92)
	at, size := binary.LittleEndian.Uint64(header[72:]), uint64(len(content))
	arrayBytes := uint64(binary.LittleEndian.Uint32(header[80:])) * uint64(binary.LittleEndian.Uint32(header[84:]))
	if at < size/512 && arrayBytes <= size-at*512 {
		binary.LittleEndian.PutUint32(header[88:], crc32.ChecksumIEEE(content[at*512:][:arrayBytes]))
	}
	sealHeader(header)
}

// addGPTSeeds adds a sound copy's header and first entries, and those of one whose numbers are as large as can be.
func addGPTSeeds(f *testing.F, headerAt, arrayAt int) {
	f.Helper()
	extreme := gptPart{linuxData, diskGUID, "\xff", 1<<64 - 1, 1<<64 - 1, 0}
	for _, content := range [][]byte{smallGPT(smallParts()...), smallGPT(extreme, extreme)} {
		f.Add(content[headerAt:][:92], content[arrayAt:][:512])
	}
}

// soundlyGPT holds what is true of a table that an MBR announces as a GPT.
func soundlyGPT(t *testing.T, content []byte) *partition.Table {
	t.Helper()
	table := soundly(t, content, int64(len(content)), 512)
	if table.Kind != partition.SchemeGPT {
		t.Errorf("it is taken for a table of kind %s", table.Kind)
	}
	if len(table.ID) != 0 && len(table.ID) != 36 {
		t.Errorf("disk id %q", table.ID)
	}
	return table
}

// FuzzGPTPrimary has no backup, so that what is found comes from the primary.
func FuzzGPTPrimary(f *testing.F) {
	addGPTSeeds(f, 512, 1024)
	f.Fuzz(func(t *testing.T, header, entries []byte) {
		content := smallGPT()
		clear(content[smallBackupArray:])
		copy(content[512:1024], header)
		copy(content[1024:34*512], entries)
		sealGPT(content, 512)
		table := soundlyGPT(t, content)
		if finding(table, "gpt-primary-damaged") != nil {
			t.Error("a backup is told of that is not there")
		}
	})
}

// FuzzGPTBackup has no primary.
func FuzzGPTBackup(f *testing.F) {
	addGPTSeeds(f, smallBackup, smallBackupArray)
	f.Fuzz(func(t *testing.T, header, entries []byte) {
		content := smallGPT()
		clear(content[512 : 34*512])
		copy(content[smallBackup:], header[:min(len(header), 512)])
		copy(content[smallBackupArray:smallBackup], entries)
		sealGPT(content, smallBackup)
		table := soundlyGPT(t, content)
		if finding(table, "gpt-primary-damaged") == nil && finding(table, "gpt-damaged") == nil {
			t.Errorf("the loss of the primary is not told: %+v", table.Findings)
		}
	})
}

// FuzzGPTPair mutates both copies. Bits of sealed say whose checksums are made right.
func FuzzGPTPair(f *testing.F) {
	content := smallGPT(smallParts()...)
	for sealed := range byte(4) {
		f.Add(content[512:][:92], content[smallBackup:][:92], content[1024:][:256], content[smallBackupArray:][:256], sealed)
	}
	f.Fuzz(func(t *testing.T, primary, backup, entries, otherEntries []byte, sealed byte) {
		content := smallGPT()
		copy(content[512:1024], primary)
		copy(content[smallBackup:], backup[:min(len(backup), 512)])
		copy(content[1024:34*512], entries)
		copy(content[smallBackupArray:smallBackup], otherEntries)
		for bit, headerAt := range []int{512, smallBackup} {
			if sealed>>bit&1 == 1 {
				sealGPT(content, headerAt)
			}
		}
		soundlyGPT(t, content)
	})
}

// FuzzCompare compares two media of which each lists partitions with file systems. They must be found to differ where
// their tables do, and there alone.
func FuzzCompare(f *testing.F) {
	record := make([]byte, 512)
	putMBR(record, 7, entry{0x80, 0x0C, 2, 8}, entry{0, 0x83, 16, 8}, entry{0, 0xDA, 32, 1 << 31})
	luks := make([]byte, 512)
	copy(luks, "LUKS\xba\xbe\x00\x01")
	copy(luks[0xA8:], "11111111-2222-4333-8444-555555555501")
	swap := expand(f, "filesystems/swap.zst")[:4096]
	other := bytes.Clone(record[440:510])
	other[6+4]++
	f.Add(record[440:510], record[440:510], luks, luks)
	f.Add(record[440:510], other, luks, swap)
	f.Add(record[440:510], record[440:506], swap, swap)
	bell, escape := bytes.Clone(luks), bytes.Clone(luks)
	bell[0xA8], escape[0xA8] = '\a', '\x1b'
	f.Add(record[440:510], record[440:510], bell, escape)
	f.Fuzz(func(t *testing.T, oneFields, otherFields, oneVolume, otherVolume []byte) {
		read := func(fields, volume []byte) *partition.Table {
			content := append(masterRecord(fields), make([]byte, 7*512)...)
			copy(content[1024:], volume)
			return soundly(t, content, 64<<10, 512)
		}
		one, other := read(oneFields, oneVolume), read(otherFields, otherVolume)
		if differ := compareFairly(t, one, other); differ == agree(one, other) {
			t.Errorf("differences are told: %t; %s", differ, cmp.Diff(one, other))
		}
	})
}

// FuzzCompareAndLocate takes tables as they come back from a record, which nobody has checked.
func FuzzCompareAndLocate(f *testing.F) {
	one := `{"kind":"mbr","sector_bytes":512,"partitions":[{"number":1,"start_lba":8192,"sectors":8192}]}`
	f.Add([]byte(one), []byte(`{}`), int64(0), int64(1<<62))
	odd := `{"sector_bytes":-1,"filesystem":{"size_bytes":-5},"partitions":[{"start_lba":18446744073709551615,"sectors":9}]}`
	f.Add([]byte(odd), []byte(`{"partitions":[{},{}]}`), int64(-1), int64(-1))
	f.Fuzz(func(t *testing.T, one, other []byte, offsetBytes, lengthBytes int64) {
		var a, b partition.Table
		if json.Unmarshal(one, &a) != nil || json.Unmarshal(other, &b) != nil {
			return
		}
		compareFairly(t, &a, &b)
		if compareFairly(t, &a, &a) {
			t.Error("a table differs from itself")
		}
		place := a.Locate(offsetBytes, lengthBytes)
		if (place == "") != (offsetBytes < 0 || lengthBytes <= 0) || place != a.Locate(offsetBytes, lengthBytes) {
			t.Errorf("Locate(%d, %d) = %q", offsetBytes, lengthBytes, place)
		}
	})
}

// FuzzExcerpt shows an image to an excerpt in steps. With the image behind it an excerpt must give the image's own table,
// whatever it kept; and all of it without what is behind where the whole image was its head.
func FuzzExcerpt(f *testing.F) {
	f.Add(twoParts(512).write()[:34*512], uint16(512), int64(0))
	f.Add(smallGPT(smallParts()...), uint16(4095), int64(smallGPTSectors*512))
	chain := make([]byte, 2048)
	putMBR(chain, 1, entry{0, 0x83, 3, 1}, entry{0, 5, 1, 3})
	putMBR(chain[512:1024], 0, entry{0, 0x83, 1, 1}, entry{0, 5, 1, 1})
	f.Add(chain, uint16(700), int64(1<<62))
	f.Fuzz(func(t *testing.T, content []byte, step uint16, expectedBytes int64) {
		size := int64(len(content))
		want := soundly(t, content, size, 512)
		excerpt := partition.NewExcerpt(content[:min(len(content), int(step))])
		excerpt.ExpectSize(expectedBytes)
		for at, block := 0, int(step)+101; at < len(content); at += block { // odd, and not too short
			excerpt.Observe(int64(at), content[at:min(at+block, len(content))])
		}
		strict := &strictMedium{t: t, content: content, sizeBytes: size, sectorBytes: 512}
		wantSame(t, want, excerpt.View(strict), size)
		wantSame(t, want, partition.NewExcerpt(content).View(nil), size)
		if table, err := partition.Inspect(excerpt.View(nil), size, 512); err != nil || partition.Compare(table, table) != nil {
			t.Errorf("%+v, %v", table, err)
		}
	})
}

func wantSame(t *testing.T, want *partition.Table, view io.ReaderAt, sizeBytes int64) {
	t.Helper()
	table, err := partition.Inspect(view, sizeBytes, 512)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, table); diff != "" {
		t.Error(diff)
	}
	if differences := partition.Compare(want, table); len(differences) != 0 {
		t.Errorf("%+v", differences)
	}
}
