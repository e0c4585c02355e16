package partition_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// listedFree are the free blocks of a listing by dumpe2fs, joined, without what FreeSpace keeps out by its own rule: 1 MiB at
// either end and runs of less than 64 KiB.
func listedFree(t *testing.T, listing string, blockBytes, sizeBytes int64) (kept []partition.Range) {
	t.Helper()
	var joined []partition.Range
	for line := range strings.Lines(listing) {
		list, _ := strings.CutPrefix(line, "  Free blocks:")
		for run := range strings.FieldsFuncSeq(list, func(r rune) bool { return r == ',' || r == ' ' || r == '\n' }) {
			if list == line {
				break
			}
			first, last, isRun := strings.Cut(run, "-")
			if !isRun {
				last = first
			}
			from, errFrom := strconv.ParseInt(first, 10, 64)
			to, errTo := strconv.ParseInt(last, 10, 64)
			if err := errors.Join(errFrom, errTo); err != nil {
				t.Fatal(err)
			}
			r := partition.Range{OffsetBytes: from * blockBytes, LengthBytes: (to - from + 1) * blockBytes}
			if last := len(joined) - 1; last >= 0 && joined[last].EndBytes() == r.OffsetBytes {
				joined[last].LengthBytes += r.LengthBytes
				continue
			}
			joined = append(joined, r)
		}
	}
	for _, r := range joined {
		start, end := max(r.OffsetBytes, mib), min(r.EndBytes(), sizeBytes-mib)
		if end-start >= 64<<10 {
			kept = append(kept, partition.Range{OffsetBytes: start, LengthBytes: end - start})
		}
	}
	return kept
}

// freeIn looks for free space as a caller does, on a medium that takes whole sectors alone.
func freeIn(t *testing.T, content []byte) []partition.Range {
	t.Helper()
	table := inspect(t, content)
	medium := &strictMedium{t: t, content: content, sizeBytes: int64(len(content)), sectorBytes: 512}
	free, err := partition.FreeSpace(medium, table, int64(len(content)))
	if err != nil {
		t.Fatal(err)
	}
	return free
}

func stored(t *testing.T, name string) string {
	t.Helper()
	content, err := os.ReadFile("testdata/free/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(content)
}

func TestFreeSpaceOfExtIsWhatItsListingSays(t *testing.T) {
	for _, name := range []string{"ext2", "ext4"} {
		content := expand(t, "free/"+name+".zst")
		want := listedFree(t, stored(t, name+".dumpe2fs"), 1024, int64(len(content)))
		if diff := cmp.Diff(want, freeIn(t, content)); diff != "" || len(want) < 2 {
			t.Errorf("%s: %d runs (-dumpe2fs +FreeSpace):\n%s", name, len(want), diff)
		}
	}
}

// The files fill the start without gaps but for the removed one, which has 360,000 bytes: what mdir calls free is that gap and all
// behind the last file, in whole clusters.
func TestFreeSpaceOfFATIsWhatItsListingSays(t *testing.T) {
	for name, clusterBytes := range map[string]int64{"fat12": 4096, "fat16": 512, "fat32": 512} {
		content := expand(t, "free/"+name+".zst")
		lines := strings.Split(strings.TrimSpace(stored(t, name+".mdir")), "\n")
		told, err := strconv.ParseInt(strings.ReplaceAll(strings.TrimSuffix(strings.TrimSpace(lines[len(lines)-1]), " bytes free"), " ", ""), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		gap := (360_000 + clusterBytes - 1) / clusterBytes * clusterBytes
		free := freeIn(t, content)
		last := free[len(free)-1]
		if end := int64(len(content)) - mib; last.EndBytes() != end {
			t.Errorf("%s: the last run ends at %d, not at %d", name, last.EndBytes(), end)
		}
		rest := int64(len(content)) - last.OffsetBytes // whole clusters, but for less than one at the end
		if got := rest/clusterBytes*clusterBytes + gap; got != told {
			t.Errorf("%s: %d bytes are free, mdir says %d", name, got, told)
		}
		if inGap := bytes.Contains(content[free[0].OffsetBytes:free[0].EndBytes()], []byte("file 5")); inGap {
			t.Errorf("%s: a file lies in what is called free", name)
		}
	}
}

// TestFlippedBitsMakeNothingFree flips bits of what free space is told by; each has a checksum, a copy or a count to speak against.
func TestFlippedBitsMakeNothingFree(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	flipped := 0
	for _, name := range []string{"ext2", "ext4", "fat12", "fat16", "fat32"} {
		content := expand(t, "free/"+name+".zst")
		var places [][2]int
		switch name {
		case "ext4": // the superblock, and eight descriptors, too
			places = append(bitmapsListed(t, stored(t, "ext4.dumpe2fs")), [][2]int{{1024, 2048}, {2048, 2048 + 8*64}}...)
		case "ext2":
			places = bitmapsListed(t, stored(t, "ext2.dumpe2fs"))
		default:
			first, length := fats(content)
			places = [][2]int{{first, first + min(length, 3000)}}
		}
		if len(freeIn(t, content)) == 0 {
			t.Fatalf("%s: nothing is free to begin with", name)
		}
		for _, place := range places {
			for range 60 {
				at, bit := place[0]+random.IntN(max(1, place[1]-place[0])), byte(1)<<random.IntN(8)
				content[at] ^= bit
				if free := freeIn(t, content); len(free) > 0 {
					t.Errorf("%s: bit %#x of byte %d flipped, and %v is free", name, bit, at, free)
				}
				content[at] ^= bit
				flipped++
			}
		}
	}
	t.Logf("bits flipped: %d", flipped)
}

// bitmapsListed are the block bitmaps that were written, of 1024 blocks each.
func bitmapsListed(t *testing.T, listing string) (places [][2]int) {
	t.Helper()
	for _, group := range strings.Split(listing, "\nGroup ")[1:] {
		_, at, isGroup := strings.Cut(group, "Block bitmap at ")
		if !isGroup {
			continue // "Group descriptor size"
		}
		number, err := strconv.Atoi(strings.Fields(at)[0])
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(group, "BLOCK_UNINIT") {
			places = append(places, [2]int{number * 1024, number*1024 + 128})
		}
	}
	if len(places) < 2 {
		t.Fatalf("only %d bitmaps", len(places))
	}
	return places
}

// fats are the place of the first FAT and the length of each, as the boot sector tells them.
func fats(content []byte) (firstBytes, lengthBytes int) {
	sectors := int(binary.LittleEndian.Uint16(content[22:]))
	if sectors == 0 {
		sectors = int(binary.LittleEndian.Uint32(content[36:]))
	}
	return int(binary.LittleEndian.Uint16(content[14:])) * 512, sectors * 512
}

// Each change is one that a driver makes, or that no sound file system has.
func TestVolumeNotCleanlyLeftHasNothingFree(t *testing.T) {
	boot := func(at int, value byte) func([]byte) { return func(b []byte) { b[at] = value } }
	both := func(at int, value byte) func([]byte) {
		return func(b []byte) {
			first, length := fats(b)
			b[first+at], b[first+length+at] = value, value
		}
	}
	for name, change := range map[string]func([]byte){
		"fat12 in use":                 boot(0x25, 1),
		"fat16 in use":                 boot(0x25, 1),
		"fat16 to be scanned":          boot(0x25, 2),
		"fat32 in use":                 boot(0x41, 1),
		"fat32 to be scanned":          boot(0x41, 2),
		"fat32 with one FAT in use":    boot(0x28, 0x80),
		"fat32 of another version":     boot(0x2A, 1),
		"fat32 without a root":         boot(0x2D, 0xF0),
		"fat16 of three FATs":          boot(0x10, 3),
		"fat16 marked as dirty":        both(3, 0x7F),
		"fat16 marked with errors":     both(3, 0xBF),
		"fat32 marked as dirty":        both(7, 0x07),
		"fat32 marked with errors":     both(7, 0x0B),
		"fat16 of other media":         both(0, 0xF0),
		"fat16 chain into free space":  both(5, 0x3C),
		"fat16 chain out of the table": both(5, 0xF0),
		"fat12 chain into free space":  both(4, 0x07),
	} {
		content := expand(t, "free/"+strings.Fields(name)[0]+".zst")
		change(content)
		if free := freeIn(t, content); len(free) > 0 {
			t.Errorf("%s: %v", name, free)
		}
	}
}

// partitioned lays file systems into partitions that begin where asked, on a medium of 40 MiB.
func partitioned(entries []entry, contents ...[]byte) []byte {
	medium := make([]byte, 40*mib)
	putMBR(medium, 7, entries...)
	for i, content := range contents {
		copy(medium[int(entries[i].start)*512:], content)
	}
	return medium
}

func TestFreeSpaceLiesWithinPartitionsAndInEmptyGaps(t *testing.T) {
	ext, fat := expand(t, "free/ext4.zst"), expand(t, "free/fat16.zst")
	entries := []entry{{0, 0x0E, 8192, 16384}, {0, 0x83, 32768, 16384}}
	medium := partitioned(entries, fat, ext)
	shifted := func(free []partition.Range, by int64) (out []partition.Range) {
		for _, r := range free {
			out = append(out, partition.Range{OffsetBytes: r.OffsetBytes + by, LengthBytes: r.LengthBytes})
		}
		return out
	}
	gap := func(from, to int64) partition.Range {
		return partition.Range{OffsetBytes: from, LengthBytes: to - from}
	}
	inFAT, inExt := shifted(freeIn(t, fat), 4*mib), shifted(freeIn(t, ext), 16*mib)
	want := append([]partition.Range{gap(mib, 4*mib)}, inFAT...)
	want = append(append(append(want, gap(12*mib, 16*mib)), inExt...), gap(24*mib, 39*mib))
	if diff := cmp.Diff(want, freeIn(t, medium)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	medium[13*mib], medium[38*mib] = 1, 1 // a loader that a board starts from, and who knows what
	want = append(append([]partition.Range{gap(mib, 4*mib)}, inFAT...), inExt...)
	if diff := cmp.Diff(want, freeIn(t, medium)); diff != "" {
		t.Errorf("with gaps that hold something (-want +got):\n%s", diff)
	}
}

func TestDisputedTablesHaveNothingFree(t *testing.T) {
	ext := expand(t, "free/ext4.zst")
	signed := bytes.Clone(ext)
	copy(signed[0x1FE:], "\x55\xaa")
	copy(signed, "hsqs") // opens another file system
	binary.LittleEndian.PutUint16(signed[0x1C:], 4)
	for name, medium := range map[string][]byte{
		"overlapping partitions":  partitioned([]entry{{0, 0x83, 8192, 16384}, {0, 0x83, 8200, 20000}}, ext),
		"a partition beyond it":   partitioned([]entry{{0, 0x83, 8192, 16384}, {0, 0x83, 32768, 1 << 20}}, ext),
		"a smaller partition":     partitioned([]entry{{0, 0x83, 8192, 16000}}, ext),
		"another type":            partitioned([]entry{{0, 0x82, 8192, 16384}}, ext),
		"a signature beside them": beside(partitioned([]entry{{0, 0x83, 8192, 16384}}, ext)),
		"no partition":            partitioned(nil),
	} {
		if free := freeIn(t, medium); len(free) > 0 {
			t.Errorf("%s: %v", name, free)
		}
	}
	two := partitioned([]entry{{0, 0x83, 8192, 16384}}, signed)
	if table := inspect(t, two); finding(table, "several-signatures") == nil {
		t.Fatalf("%+v", table.Findings)
	}
	for _, r := range freeIn(t, two) {
		if r.OffsetBytes < 12*mib && r.EndBytes() > 4*mib {
			t.Errorf("%v is free in a partition of two signatures", r)
		}
	}
	content := make([]byte, len(ext)+512)
	copy(content, ext)
	if free, err := partition.FreeSpace(bytes.NewReader(content), inspect(t, ext), int64(len(content))); len(free) > 0 || err != nil {
		t.Errorf("the table of another image: %v, %v", free, err)
	}
	if free, err := partition.FreeSpace(bytes.NewReader(content), nil, int64(len(content))); len(free) > 0 || err != nil {
		t.Errorf("no table: %v, %v", free, err)
	}
}

// beside puts a swap signature where it speaks for the whole medium.
func beside(medium []byte) []byte {
	binary.LittleEndian.PutUint32(medium[1024:], 1)
	binary.LittleEndian.PutUint32(medium[1028:], 1000)
	copy(medium[4086:], "SWAPSPACE2")
	return medium
}

func TestBackupOfAGPTIsNeverFree(t *testing.T) {
	ext := expand(t, "free/ext4.zst")
	parts := []gptPart{{kind: linuxData, guid: diskGUID, name: "root", first: 8192, last: 24575}}
	medium := gptLayout{sectorBytes: 512, sectors: 40 * mib / 512, parts: parts}.write()
	copy(medium[4*mib:], ext)
	free := freeIn(t, medium)
	if len(free) < 3 || free[0].OffsetBytes != mib || free[len(free)-1].EndBytes() != 39*mib {
		t.Fatalf("%v", free)
	}
	copy(medium[30*mib:], "EFI PART") // an old backup in the middle
	if free := freeIn(t, medium); free[len(free)-1].EndBytes() > 12*mib {
		t.Errorf("%v", free)
	}
}

// A read that fails is told, and nothing is free beside it.
func TestFreeSpaceTellsFailedReads(t *testing.T) {
	whole := partitioned([]entry{{0, 0x0E, 8192, 16384}, {0, 0x83, 32768, 16384}}, expand(t, "free/fat16.zst"), expand(t, "free/ext4.zst"))
	table, failed := inspect(t, whole), 0
	for nth := 0; ; nth++ {
		medium := &failingMedium{content: whole, left: nth}
		free, err := partition.FreeSpace(medium, table, int64(len(whole)))
		if medium.left >= 0 {
			break
		}
		failed++
		if _, ok := errors.AsType[*partition.ReadError](err); !ok || free != nil {
			t.Fatalf("read %d: %v, %v", nth, free, err)
		}
	}
	t.Logf("failed reads: %d", failed)
	if failed < 30 {
		t.Errorf("only %d reads", failed)
	}
}

// A failingMedium fails one read: the one after so many.
type failingMedium struct {
	content []byte
	left    int
}

var errFails = errors.New("fails")

func (m *failingMedium) ReadAt(b []byte, offsetBytes int64) (int, error) {
	if m.left--; m.left == -1 {
		return 0, errFails
	}
	n := copy(b, m.content[offsetBytes:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}
