package partition_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"hash/crc32"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"cardwright/partition"
)

// soundly inspects hostile content and holds what must be true of any result: only whole sectors inside the medium were
// read, and not too often; every text is UTF-8; a table does not differ from itself; every byte range has a place.
func soundly(t *testing.T, content []byte, sizeBytes, sectorBytes int64) {
	t.Helper()
	medium := &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: sectorBytes}
	table, err := partition.Inspect(medium, sizeBytes, sectorBytes)
	if err != nil {
		t.Fatal(err)
	}
	if medium.reads > 1<<16 {
		t.Errorf("%d reads", medium.reads)
	}
	for _, f := range table.Findings {
		if !utf8.ValidString(f.Sentence + f.Evidence) {
			t.Errorf("%q", f)
		}
	}
	if differences := partition.Compare(table, table); len(differences) != 0 {
		t.Errorf("%+v", differences)
	}
	for _, length := range []int64{1, 4 << 20, 1<<63 - 1} {
		if table.Locate(0, length) == "" || table.Locate(sizeBytes/2, length) == "" {
			t.Error("a range has no place")
		}
	}
	if _, err := json.Marshal(table); err != nil {
		t.Error(err)
	}
}

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
		partition.Recognise(content)
	})
}

func FuzzMBR(f *testing.F) {
	content := make([]byte, 512)
	putMBR(content, 7, entry{0x80, 0x0C, 8192, 8192}, entry{0, 0x05, 16384, 1 << 31}, entry{0, 0xEE, 1, 1<<32 - 1})
	f.Add(content[440:510])
	f.Fuzz(func(t *testing.T, fields []byte) {
		sector := make([]byte, 512)
		copy(sector[440:], fields)
		sector[510], sector[511] = 0x55, 0xAA
		for i := range 4 {
			sector[446+16*i] &= 0x80 // else it is no MBR
		}
		soundly(t, sector, 64*mib, 512)
	})
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
		soundly(t, content, int64(len(content)), 512)
	})
}

// FuzzGPT computes the CRCs anew, since a fuzzer would hardly get past them.
func FuzzGPT(f *testing.F) {
	content := twoParts(512).write()
	f.Add(content[512:512+92], content[1024:1024+512])
	content = gptLayout{sectorBytes: 512, sectors: 32768, parts: []gptPart{{linuxData, diskGUID, "\xff", 1<<64 - 1, 1<<64 - 1, 0}}}.write()
	f.Add(content[512:512+92], content[1024:1024+512])
	f.Fuzz(func(t *testing.T, header, entries []byte) {
		content := make([]byte, 34*512)
		putMBR(content, 0, entry{0, 0xEE, 1, 32767})
		copy(content[512:1024], header)
		copy(content[512:], "EFI PART")
		copy(content[1024:], entries)
		h := content[512:1024]
		count, stride := binary.LittleEndian.Uint32(h[80:]), binary.LittleEndian.Uint32(h[84:])
		if size := uint64(count) * uint64(stride); size <= 32*512 {
			binary.LittleEndian.PutUint32(h[88:], crc32.ChecksumIEEE(content[1024:1024+size]))
		}
		binary.LittleEndian.PutUint32(h[12:], 92)
		sealHeader(h)
		soundly(t, content, 16*mib, 512)
	})
}

// A signature is what a probe asks for first; the fuzzed fields lie at fieldsAt and around it.
type signature struct {
	fieldsAt, at int
	text         string
}

// fuzzFileSystem mutates what lies around each kind's signature, in a partition and on the whole medium. Seeds are short,
// as long ones make a fuzzer slow.
func fuzzFileSystem(f *testing.F, s signature, kinds ...string) {
	f.Helper()
	for _, kind := range kinds {
		content := expand(f, "filesystems/"+kind+".zst")[s.fieldsAt:]
		f.Add(content[:min(len(content), 6<<10)])
	}
	f.Fuzz(func(t *testing.T, fields []byte) {
		content := make([]byte, max(s.fieldsAt+len(fields), s.at+len(s.text)))
		copy(content[s.fieldsAt:], fields)
		copy(content[s.at:], s.text)
		soundly(t, content, 64*mib, 512)
		medium := make([]byte, 4096+len(content))
		putMBR(medium, 1, entry{0, 0x83, 8, 40960})
		copy(medium[4096:], content)
		soundly(t, medium, 64*mib, 512)
	})
}

// The label's directory is moved close to the boot sector, within a short seed's reach.
func FuzzFAT(f *testing.F) {
	seed := expand(f, "filesystems/fat32.zst")[:2048]
	seed[14], seed[16] = 1, 1                   // one reserved sector, one FAT
	binary.LittleEndian.PutUint32(seed[36:], 1) // of one sector
	copy(seed[1024:], "ROOT       \x08")
	f.Add(seed)
	fuzzFileSystem(f, signature{0, 510, "\x55\xaa"}, "fat12", "fat16", "fat32")
}

func FuzzExt(f *testing.F) {
	fuzzFileSystem(f, signature{0x400, 0x438, "\x53\xef"}, "ext2", "ext3", "ext4")
}

func FuzzLUKS(f *testing.F) {
	fuzzFileSystem(f, signature{0, 0, "LUKS\xba\xbe"}, "luks1", "luks2")
}

// Clusters of one sector from the second on, the root directory in the first of them.
func FuzzExFAT(f *testing.F) {
	seed := expand(f, "filesystems/exfat.zst")[:2048]
	seed[0x6D] = 0
	binary.LittleEndian.PutUint32(seed[0x50:], 2)
	binary.LittleEndian.PutUint32(seed[0x58:], 1)
	binary.LittleEndian.PutUint32(seed[0x60:], 2)
	copy(seed[512:], "\x85\x00\x00")
	copy(seed[544:], "\x83\x02a\x00b\x00")
	f.Add(seed)
	fuzzFileSystem(f, signature{0, 3, "EXFAT   "}, "exfat")
}

// The file table is moved to cluster 0, so that its record of the volume is the fourth KiB.
func FuzzNTFS(f *testing.F) {
	whole := expand(f, "filesystems/ntfs.zst")
	table := binary.LittleEndian.Uint64(whole[0x30:]) * uint64(whole[0x0D]) * 512
	seed := append(bytes.Clone(whole[:3072]), whole[table+3072:][:1024]...)
	binary.LittleEndian.PutUint64(seed[0x30:], 0)
	f.Add(seed)
	fuzzFileSystem(f, signature{0, 3, "NTFS    "}, "ntfs")
}

func FuzzXFS(f *testing.F)   { fuzzFileSystem(f, signature{0, 0, "XFSB"}, "xfs") }
func FuzzBtrfs(f *testing.F) { fuzzFileSystem(f, signature{0x10000, 0x10040, "_BHRfS_M"}, "btrfs") }

func FuzzF2FS(f *testing.F)     { fuzzFileSystem(f, signature{0x400, 0x400, "\x10\x20\xf5\xf2"}, "f2fs") }
func FuzzSquashfs(f *testing.F) { fuzzFileSystem(f, signature{0, 0, "hsqs"}, "squashfs") }
func FuzzEROFS(f *testing.F)    { fuzzFileSystem(f, signature{0x400, 0x400, "\xe2\xe1\xf5\xe0"}, "erofs") }
func FuzzSwap(f *testing.F)     { fuzzFileSystem(f, signature{0x400, 4086, "SWAPSPACE2"}, "swap") }
func FuzzISO9660(f *testing.F)  { fuzzFileSystem(f, signature{0x8000, 0x8001, "CD001"}, "iso9660") }

// FuzzCompareAndLocate takes tables as they come back from a record, which nobody has checked.
func FuzzCompareAndLocate(f *testing.F) {
	f.Add([]byte(`{"kind":"mbr","sector_bytes":512,"partitions":[{"number":1,"start_lba":8192,"sectors":8192}]}`), []byte(`{}`), int64(0), int64(1<<62))
	f.Add([]byte(`{"sector_bytes":-1,"filesystem":{"size_bytes":-5},"partitions":[{"start_lba":18446744073709551615,"sectors":9}]}`), []byte(`{"partitions":[{},{}]}`), int64(-1), int64(-1))
	f.Fuzz(func(t *testing.T, one, other []byte, offsetBytes, lengthBytes int64) {
		var a, b partition.Table
		if json.Unmarshal(one, &a) != nil || json.Unmarshal(other, &b) != nil {
			return
		}
		partition.Compare(&a, &b)
		if place := a.Locate(offsetBytes, lengthBytes); (place == "") != (offsetBytes < 0 || lengthBytes <= 0) {
			t.Errorf("Locate(%d, %d) = %q", offsetBytes, lengthBytes, place)
		}
	})
}

func FuzzExcerpt(f *testing.F) {
	f.Add(twoParts(512).write()[:34*512], uint16(512))
	chain := make([]byte, 2048)
	putMBR(chain, 1, entry{0, 0x83, 3, 1}, entry{0, 5, 1, 3})
	putMBR(chain[512:1024], 0, entry{0, 0x83, 1, 1}, entry{0, 5, 1, 1})
	f.Add(chain, uint16(700))
	f.Fuzz(func(t *testing.T, content []byte, step uint16) {
		head := content[:min(len(content), int(step))]
		excerpt := partition.NewExcerpt(head)
		for at := 0; at < len(content); at += int(step) + 1 {
			excerpt.Observe(int64(at), content[at:min(at+int(step)+1, len(content))])
		}
		table, err := partition.Inspect(excerpt.View(nil), int64(len(content)), 512)
		if err != nil || table == nil {
			t.Fatal(err)
		}
	})
}

// A decoder without a seed would be fuzzed from nothing, and no one would notice.
func TestEveryFixtureSeedsAFuzzer(t *testing.T) {
	source, err := os.ReadFile("fuzz_test.go")
	if err != nil {
		t.Fatal(err)
	}
	files, err := os.ReadDir("testdata/filesystems")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d fixtures, %v", len(files), err)
	}
	for _, file := range files {
		name, _, _ := strings.Cut(file.Name(), ".")
		if !strings.Contains(string(source), `"`+name+`"`) {
			t.Errorf("%s seeds no fuzzer", name)
		}
	}
}
