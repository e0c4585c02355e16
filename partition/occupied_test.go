package partition_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"testing"
	"unicode/utf16"

	"cardwright/partition"
)

const (
	nothing = partition.HoldsNothing
	files   = partition.HoldsFiles
	unknown = partition.HoldsUnknown
)

// occupied tells what a medium holds, with zeros behind its content.
func occupied(t testing.TB, content []byte, sizeBytes int64) []partition.Holding {
	t.Helper()
	medium := &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: 512}
	holdings, err := partition.Occupied(medium, sizeBytes, inspectSized(t, content, sizeBytes, 512))
	if err != nil {
		t.Fatal(err)
	}
	return holdings
}

func holdsOf(holdings []partition.Holding) (all []partition.Holds) {
	for _, h := range holdings {
		all = append(all, h.Holds)
	}
	return all
}

// The fixtures were made by their own tools and never held a file: testdata/README.md.
func TestFreshFileSystemsHoldNothing(t *testing.T) {
	for _, kind := range kinds() {
		want := unknown
		switch kind {
		case "fat12", "fat16", "fat32", "exfat", "ext2", "ext3", "ext4":
			want = nothing
		}
		content := expand(t, "filesystems/"+kind+".zst")
		fs, sizeBytes := storedBlkid(t, kind)
		holdings := occupied(t, content, sizeBytes)
		if len(holdings) != 1 || holdings[0].Holds != want || holdings[0].Partition != 0 || holdings[0].Kind != kind || holdings[0].Label != fs.Label {
			t.Errorf("%s: %+v", kind, holdings)
		}
		medium := append(make([]byte, 8192*512), content...)
		putMBR(medium, 1, entry{0, 0xDA, 8192, uint32((sizeBytes + 511) / 512)})
		holdings = occupied(t, medium, 8192*512+(sizeBytes+511)/512*512)
		if len(holdings) != 1 || holdings[0].Holds != want || holdings[0].Partition != 1 || holdings[0].Kind != kind {
			t.Errorf("%s in a partition: %+v", kind, holdings)
		}
	}
}

// fatRoot is the first byte of a FAT's root directory.
func fatRoot(b []byte) int {
	fatSectors := int(binary.LittleEndian.Uint16(b[22:]))
	if fatSectors == 0 {
		fatSectors = int(binary.LittleEndian.Uint32(b[36:]))
	}
	return (int(binary.LittleEndian.Uint16(b[14:])) + int(b[16])*fatSectors) * 512
}

func fatTable(b []byte) int { return int(binary.LittleEndian.Uint16(b[14:])) * 512 }

// afterLabel is the place of the second entry: the fixtures have a label, but for fat16.
func afterLabel(b []byte) int { return fatRoot(b) + 32 }

// Each of these is one change to a file system that was just made. Offsets are from the layouts drawn beside the decoders.
func TestChangedFileSystemsAreNotTakenForFresh(t *testing.T) {
	fat := func(b []byte, at int, name string, attributes byte) {
		copy(b[at:], fmt.Sprintf("%-11s%c", name, attributes))
	}
	for _, c := range []struct {
		kind, name string
		want       partition.Holds
		change     func(b []byte)
	}{
		{"fat12", "a file", files, func(b []byte) { fat(b, afterLabel(b), "IMG_1   JPG", 0x20) }},
		{"fat16", "a file as the first entry", files, func(b []byte) { fat(b, fatRoot(b), "IMG_1   JPG", 0x20) }},
		{"fat16", "a folder that Windows makes", files, func(b []byte) { fat(b, fatRoot(b), "SYSTEM~1   ", 0x16) }},
		{"fat16", "a deleted file", nothing, func(b []byte) { fat(b, fatRoot(b), "\xe5MG_1   JPG"[:11], 0x20) }},
		{"fat16", "a long name alone", nothing, func(b []byte) { fat(b, fatRoot(b), "\x41i\x00m\x00g\x00_\x001\x00", 0x0F) }},
		{"fat16", "a file behind the end", unknown, func(b []byte) { fat(b, fatRoot(b)+64, "IMG_1   JPG", 0x20) }},
		{"fat16", "a file in the last entry", unknown, func(b []byte) { fat(b, fatRoot(b)+511*32, "IMG_1   JPG", 0x20) }},
		{"fat16", "an end with content", unknown, func(b []byte) { fat(b, fatRoot(b), "\x00MG_1   JPG", 0x20) }},
		{"fat16", "a label with a cluster", unknown, func(b []byte) { fat(b, fatRoot(b), "LABEL      ", 0x08); b[fatRoot(b)+26] = 2 }},
		{"fat16", "a cluster in use", unknown, func(b []byte) { b[fatTable(b)+2*100] = 0xFF }},
		{"fat16", "a bad cluster", nothing, func(b []byte) { copy(b[fatTable(b)+2*100:], "\xf7\xff") }},
		{"fat12", "a cluster in use", unknown, func(b []byte) { b[fatTable(b)+151] = 0xFF }},
		{"fat12", "a bad cluster", nothing, func(b []byte) { copy(b[fatTable(b)+150:], "\xf7\x0f") }},
		{"fat12", "no root directory", unknown, func(b []byte) { copy(b[17:], "\x00\x00") }},
		{"fat32", "a file", files, func(b []byte) { fat(b, afterLabel(b), "IMG_1   JPG", 0x20) }},
		{"fat32", "another FAT that counts", unknown, func(b []byte) { b[0x28] = 0x81 }},
		{"fat32", "no mirror of the first FAT", nothing, func(b []byte) { b[0x28] = 0x80 }},
		{"fat32", "a cluster in use", unknown, func(b []byte) { b[fatTable(b)+4*1000] = 3 }},
		{"fat32", "reserved bits alone", nothing, func(b []byte) { b[fatTable(b)+4*1000+3] = 0xF0 }},
		{"fat32", "a bad cluster", nothing, func(b []byte) { copy(b[fatTable(b)+4*1000:], "\xf7\xff\xff\x0f") }},
		{"fat32", "a root directory that leads back to itself", unknown, func(b []byte) { copy(b[fatTable(b)+8:], "\x02\x00\x00\x00") }},
		{"fat32", "a root directory that is not in use", unknown, func(b []byte) { copy(b[fatTable(b)+8:], "\x00\x00\x00\x00") }},
		{"fat32", "a root directory that goes on", files, func(b []byte) {
			copy(b[afterLabel(b):], bytes.Repeat([]byte{0xE5}, 512*int(b[13])-32)) // deleted
			copy(b[fatTable(b)+8:], "\x03\x00\x00\x00\xff\xff\xff\x0f")
			fat(b, fatRoot(b)+512*int(b[13]), "IMG_1   JPG", 0x20)
		}},
		{"fat32", "a root directory that goes on empty", nothing, func(b []byte) { copy(b[fatTable(b)+8:], "\x03\x00\x00\x00\xff\xff\xff\x0f") }},
		{"exfat", "a file", files, func(b []byte) { putExFATFile(b, "img.jpg") }},
		{"exfat", "a deleted file", nothing, func(b []byte) { putExFATFile(b, "img.jpg"); clearInUse(b[exfatRoot(b):]) }},
		{"exfat", "a label that is not set", nothing, func(b []byte) { b[exfatRoot(b)] = 0x03 }},
		{"exfat", "the volume's GUID", nothing, func(b []byte) { b[exfatRoot(b)+3*32] = 0xA0 }},
		{"exfat", "an entry of unknown type", unknown, func(b []byte) { b[exfatRoot(b)+3*32] = 0x86 }},
		{"exfat", "something behind the end", unknown, func(b []byte) { b[exfatRoot(b)+5*32] = 0x05 }},
		{"exfat", "two bitmaps", unknown, func(b []byte) { copy(b[exfatRoot(b)+3*32:], b[exfatRoot(b)+32:][:32]) }},
		{"exfat", "no bitmap", unknown, func(b []byte) { b[exfatRoot(b)+32] = 0x01 }},
		{"exfat", "a bitmap of another length", unknown, func(b []byte) { b[exfatRoot(b)+32+24]++ }},
		{"exfat", "a cluster in use", unknown, func(b []byte) { b[exfatBitmap(b)+20] = 1 }},
		{"exfat", "its root directory not in use", unknown, func(b []byte) { b[exfatBitmap(b)] = 0 }},
		{"exfat", "a root directory that leads nowhere", unknown, func(b []byte) { copy(b[exfatEntry(b):], "\x00\x00\x00\x00") }},
		{"exfat", "a root directory that leads back to itself", unknown, func(b []byte) { copy(b[exfatEntry(b):], b[0x60:0x64]) }},
		{"ext4", "one inode more", files, func(b []byte) { b[1024+0x10]-- }},
		{"ext4", "one inode more by its group", unknown, func(b []byte) { b[2048+0x0E]-- }},
		{"ext4", "one folder more by its group", unknown, func(b []byte) { b[2048+0x10]++ }},
		{"ext4", "one inode less", unknown, func(b []byte) { b[1024+0x10]++; b[2048+0x0E]++ }},
		{"ext4", "not taken out", unknown, func(b []byte) { b[1024+0x60] |= 0x04 }},
		{"ext2", "errors", unknown, func(b []byte) { b[1024+0x3A] = 3 }},
		{"ext2", "groups without inodes", unknown, func(b []byte) { clear(b[1024+0x28:][:4]) }},
		{"ext2", "groups without blocks", unknown, func(b []byte) { clear(b[1024+0x20:][:4]) }},
		{"ext2", "many reserved inodes", unknown, func(b []byte) { b[1024+0x54] = 200 }},
	} {
		content := expand(t, "filesystems/"+c.kind+".zst")
		_, sizeBytes := storedBlkid(t, c.kind)
		c.change(content)
		holdings := occupied(t, content, sizeBytes)
		if len(holdings) != 1 || holdings[0].Holds != c.want || holdings[0].Kind != c.kind {
			t.Errorf("%s, %s: %+v, want %s", c.kind, c.name, holdings, c.want)
		}
	}
}

// clearInUse takes the bit that says that an entry counts off the three of a file.
func clearInUse(root []byte) {
	for at := 0; root[at] != 0; at += 32 {
		if root[at] == 0x85 || root[at] >= 0xC0 {
			root[at] &= 0x7F
		}
	}
}

// exfatBitmap is the first byte of an exFAT's allocation bitmap; exfatEntry that of its root directory's entry in the FAT.
func exfatBitmap(b []byte) int {
	bitmap := b[exfatRoot(b)+32:]
	whole := bytes.Clone(b[:512])
	copy(whole[0x60:0x64], bitmap[20:24])
	return exfatRoot(whole)
}

func exfatEntry(b []byte) int {
	return int(binary.LittleEndian.Uint32(b[0x50:]))*512 + 4*int(binary.LittleEndian.Uint32(b[0x60:]))
}

// TestBlankMediaHoldNothing looks for single bytes on media without a table.
func TestBlankMediaHoldNothing(t *testing.T) {
	const size = 64 * mib
	ones := bytes.Repeat([]byte{0xFF}, size)
	cleared := bytes.Clone(ones)
	clear(cleared[:mib])
	clear(cleared[size-mib:])
	for name, content := range map[string][]byte{"zeros": nil, "ones": ones, "ones with zeros at both ends": cleared} {
		if holdings := occupied(t, content, size); len(holdings) != 1 || holdings[0].Holds != nothing || holdings[0].Partition != 0 {
			t.Errorf("%s: %+v", name, holdings)
		}
	}
	for _, at := range []int{0, 511, mib, 4*mib + 77, 8*mib - 1, 16 * mib, 32 * mib, 63 * mib, size - 1} {
		content := make([]byte, size)
		content[at] = 1
		if holdings := occupied(t, content, size); len(holdings) != 1 || holdings[0].Holds != unknown {
			t.Errorf("a byte at %d: %+v", at, holdings)
		}
	}
	for _, sizeBytes := range []int64{512, 4096, 9*mib - 512, 9 * mib, 9*mib + 512, 1 << 35, 1 << 41} {
		content := []byte{1}
		if blank, first := occupied(t, nil, sizeBytes), occupied(t, content, sizeBytes); blank[0].Holds != nothing || first[0].Holds != unknown {
			t.Errorf("%d bytes: %+v, with a byte written %+v", sizeBytes, blank, first)
		}
	}
}

// A card of photographs whose first 1 MiB was wiped has neither a table nor a file system any more.
func TestWipedStartDoesNotHideWhatFollows(t *testing.T) {
	const size = 32_000_000_000 / 512 * 512
	content := make([]byte, 80*mib)
	for at := 4 * mib; at < len(content); at += 512 { // files from 4 MiB to 80 MiB of 32 GB
		content[at] = byte(at >> 9)
	}
	if holdings := occupied(t, content, size); len(holdings) != 1 || holdings[0].Holds != unknown {
		t.Errorf("%+v", holdings)
	}
}

// TestPartitionsAreToldOneByOne has a factory-new card's layout, a card with two partitions, and what makes a table doubtful.
func TestPartitionsAreToldOneByOne(t *testing.T) {
	empty, filled := expand(t, "filesystems/fat16.zst"), expand(t, "filesystems/fat16.zst")
	copy(filled[fatRoot(filled):], "IMG_1   JPG\x20")
	const second = 8192 + 32768
	medium := func(entries ...entry) []byte {
		b := make([]byte, (second+32768)*512)
		putMBR(b, 1, entries...)
		copy(b[8192*512:], empty)
		copy(b[second*512:], filled)
		return b
	}
	first, other := entry{0, 0x06, 8192, 32768}, entry{0, 0x06, second, 32768}
	beside := medium(first)
	clear(beside[second*512:])
	alone := medium(entry{0, 0x83, 12288, 4096})
	clear(alone[8192*512:])
	deleted := medium(first) // with what the second held still there
	stale := medium(first)
	gptLayout{sectorBytes: 512, sectors: uint64(len(stale)) / 512, count: 128, stride: 128}.writeCopies(stale)
	for _, c := range []struct {
		name    string
		content []byte
		want    []partition.Holds
	}{
		{"one that is empty", beside, []partition.Holds{nothing}},
		{"one empty, one deleted", deleted, []partition.Holds{nothing, unknown}},
		{"one empty, one filled", medium(first, other), []partition.Holds{nothing, files}},
		{"one not blank", medium(entry{0, 0x83, 8193, 4000}), []partition.Holds{unknown, unknown}},
		{"one blank", alone, []partition.Holds{nothing}},
		{"none in the table", medium(), []partition.Holds{unknown}},
		{"an extended one that holds none", medium(first, entry{0, 0x0F, second, 32768}), []partition.Holds{nothing, unknown}},
		{"an old GPT beside it", stale, []partition.Holds{unknown, unknown, nothing, unknown}},
		{"two that overlap", medium(first, entry{0, 0x06, 8192, 32768}), []partition.Holds{unknown, nothing, nothing, unknown}},
		{"one that reaches beyond the end", medium(entry{0, 0x06, 8192, 1 << 20}), []partition.Holds{unknown, unknown, nothing}},
		{"one smaller than what it holds", medium(entry{0, 0x06, 8192, 100}), []partition.Holds{unknown, nothing}},
	} {
		if got := holdsOf(occupied(t, c.content, int64(len(c.content)))); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v: %+v", c.name, got, c.want, occupied(t, c.content, int64(len(c.content))))
		}
	}
}

func TestMediumWhoseTableIsNotItsOwnIsUnknown(t *testing.T) {
	medium := &strictMedium{t: t, sizeBytes: mib, sectorBytes: 512}
	for _, table := range []*partition.Table{nil, inspectSized(t, nil, 2*mib, 512)} {
		holdings, err := partition.Occupied(medium, mib, table)
		if err != nil || len(holdings) != 1 || holdings[0].Holds != unknown || medium.reads != 0 {
			t.Errorf("%+v, %v after %d reads", holdings, err, medium.reads)
		}
	}
}

// TestFailedReadsAreNeverNothing lets each read fail.
func TestFailedReadsAreNeverNothing(t *testing.T) {
	for _, kind := range []string{"fat12", "fat16", "fat32", "exfat", "ext2", "ext4", ""} {
		content, sizeBytes := []byte(nil), int64(32*mib)
		if kind != "" {
			content = expand(t, "filesystems/"+kind+".zst")
			_, sizeBytes = storedBlkid(t, kind)
		}
		table := inspectSized(t, content, sizeBytes, 512)
		for n := 1; ; n++ {
			medium := &failAt{ReaderAt: &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: 512}, n: n}
			holdings, err := partition.Occupied(medium, sizeBytes, table)
			if medium.reads < n {
				if n < 3 || err != nil {
					t.Errorf("%q: %d reads, %v", kind, n-1, err)
				}
				break
			}
			var failed *partition.ReadError
			if !errors.As(err, &failed) || !errors.Is(err, errBroken) || holdings != nil {
				t.Fatalf("%q: read %d failed: %+v, %v", kind, n, holdings, err)
			}
		}
	}
}

// exfatRoot is the first byte of an exFAT's root directory.
func exfatRoot(b []byte) int {
	sectorShift, clusterShift := b[0x6C], b[0x6D]
	heap, root := binary.LittleEndian.Uint32(b[0x58:]), binary.LittleEndian.Uint32(b[0x60:])
	return int(heap)<<sectorShift + int(root-2)<<(sectorShift+clusterShift)
}

// putExFATFile adds an empty file to an exFAT's root directory, after Microsoft's "exFAT file system specification": 6.3.3 and
// 7.6.4 for the sums, 7.4, 7.6 and 7.7 for the three entries.
func putExFATFile(content []byte, name string) {
	at := exfatRoot(content)
	for content[at] != 0 {
		at += 32
	}
	set, units := content[at:][:96], utf16.Encode([]rune(name))
	set[0], set[1], set[4] = 0x85, 2, 0x20
	set[32], set[33], set[35] = 0xC0, 0x01, byte(len(units))
	set[64] = 0xC1
	var hash uint16
	for i, unit := range units {
		binary.LittleEndian.PutUint16(set[66+2*i:], unit)
		if unit >= 'a' && unit <= 'z' {
			unit -= 'a' - 'A'
		}
		for _, value := range []byte{byte(unit), byte(unit >> 8)} {
			hash = hash<<15 + hash>>1 + uint16(value)
		}
	}
	binary.LittleEndian.PutUint16(set[36:], hash)
	for _, moment := range []int{8, 12, 16} {
		binary.LittleEndian.PutUint32(set[moment:], 1<<21|1<<16) // 1980-01-01
	}
	var sum uint16
	for i, value := range set {
		if i != 2 && i != 3 {
			sum = sum<<15 + sum>>1 + uint16(value)
		}
	}
	binary.LittleEndian.PutUint16(set[2:], sum)
}
