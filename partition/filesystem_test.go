package partition_test

import (
	"encoding/binary"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// storedSizes are file-system sizes that differ from the file's, each as its own tool tells it.
func storedSizes() map[string]int64 {
	return map[string]int64{
		"luks1": 0, "luks2": 0, // a header that names no size
		"squashfs": 231,           // unsquashfs -s 4.5.1: "Filesystem size 231 bytes", padded to 4096
		"ntfs":     4194304 - 512, // the boot sector's backup behind the last cluster is not counted
	}
}

func TestFileSystemsReadAsBlkidReadsThem(t *testing.T) {
	files, err := os.ReadDir("testdata/filesystems")
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, file := range files {
		name, ok := strings.CutSuffix(file.Name(), ".zst")
		if !ok {
			continue
		}
		seen++
		t.Run(name, func(t *testing.T) {
			want, sizeBytes := storedBlkid(t, name)
			content := expand(t, "filesystems/"+file.Name())
			table := inspectSized(t, content, sizeBytes, 512)
			if table.Kind != partition.SchemeNone {
				t.Errorf("taken for a %s table", table.Kind)
			}
			if diff := cmp.Diff(want, table.FileSystem); diff != "" {
				t.Error(diff)
			}
			if finding(table, "unpartitioned") == nil || len(table.Findings) != 1 {
				t.Errorf("findings %+v", table.Findings)
			}
			inPartition(t, content, sizeBytes, want)
			if !partition.Recognise(content[:min(len(content), 128<<10)]) {
				t.Error("not recognised by its first bytes")
			}
		})
	}
	if seen != 17 {
		t.Errorf("%d fixtures, want one of each of 17 kinds", seen)
	}
}

// inPartition finds the same file system in a partition, on sectors of 4096 bytes.
func inPartition(t *testing.T, content []byte, sizeBytes int64, want *partition.FileSystem) {
	t.Helper()
	const start = 64
	sectors := (sizeBytes + 4095) / 4096
	medium := make([]byte, start*4096+len(content))
	putMBR(medium, 1, entry{0, 0xDA, start, uint32(sectors)})
	copy(medium[start*4096:], content)
	table := inspectSized(t, medium, (start+sectors)*4096, 4096)
	if len(table.Partitions) != 1 {
		t.Fatalf("%d partitions", len(table.Partitions))
	}
	if diff := cmp.Diff(want, table.Partitions[0].FileSystem); diff != "" {
		t.Error(diff)
	}
}

// storedBlkid reads what blkid said of the whole image.
func storedBlkid(t testing.TB, name string) (*partition.FileSystem, int64) {
	t.Helper()
	text, err := os.ReadFile("testdata/filesystems/" + name + ".blkid")
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]string{}
	for line := range strings.Lines(string(text)) {
		key, value, _ := strings.Cut(strings.TrimRight(line, "\n"), "=")
		values[key] = value
	}
	sizeBytes, err := strconv.ParseInt(values["bytes"], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	fs := &partition.FileSystem{
		Kind: kindOf(values["TYPE"], values["VERSION"]), Label: values["LABEL"], UUID: values["UUID"], SizeBytes: sizeBytes,
	}
	if size, ok := storedSizes()[name]; ok {
		fs.SizeBytes = size
	}
	return fs, sizeBytes
}

// kindOf maps blkid's TYPE and VERSION to this package's kinds.
func kindOf(kind, version string) string {
	switch kind {
	case "vfat":
		return strings.ToLower(version)
	case "crypto_LUKS":
		return "luks" + version
	default:
		return kind
	}
}

// Swap space that a big-endian machine made: util-linux's mkswap before 2.40 makes it only there, so it is built after
// the kernel's include/linux/swap.h.
func TestBigEndianSwapIsRead(t *testing.T) {
	content := make([]byte, 8*4096)
	binary.BigEndian.PutUint32(content[0x400:], 1)
	binary.BigEndian.PutUint32(content[0x404:], 7)
	copy(content[0x41C:], "far")
	copy(content[4086:], "SWAPSPACE2")
	want := &partition.FileSystem{Kind: "swap", Label: "far", SizeBytes: 8 * 4096}
	if diff := cmp.Diff(want, inspect(t, content).FileSystem); diff != "" {
		t.Error(diff)
	}
}

// The first header of LUKS2 and the first superblock of F2FS are lost; the second of each tells the same.
func TestSecondCopyTellsTheFileSystem(t *testing.T) {
	f2fs := expand(t, "filesystems/f2fs.zst")
	want, size := storedBlkid(t, "f2fs")
	clear(f2fs[:0x1000])
	if diff := cmp.Diff(want, inspectSized(t, f2fs, size, 512).FileSystem); diff != "" {
		t.Error(diff)
	}
	// LUKS2 specification: the second header differs in magic and in the offset it names.
	luks := expand(t, "filesystems/luks2.zst")
	want, size = storedBlkid(t, "luks2")
	second := make([]byte, 0x4000+len(luks))
	copy(second[0x4000:], luks)
	copy(second[0x4000:], "SKUL")
	if table := inspectSized(t, second, size, 512); table.FileSystem != nil {
		t.Error("a header that names another place is believed")
	}
	binary.BigEndian.PutUint64(second[0x4100:], 0x4000)
	if diff := cmp.Diff(want, inspectSized(t, second, size, 512).FileSystem); diff != "" {
		t.Error(diff)
	}
}

// The root directory's label, and a short chain of clusters before it.
func TestFATLabels(t *testing.T) {
	fat16 := func(edit func(content, root []byte)) string {
		content := make([]byte, 16*mib)
		copy(content, expand(t, "filesystems/fat16.zst"))
		reserved, sectors, fats := int(content[14]), int(binary.LittleEndian.Uint16(content[22:])), int(content[16])
		edit(content, content[(reserved+fats*sectors)*512:])
		return inspect(t, content).FileSystem.Label
	}
	put := func(at []byte, name string, attributes byte) {
		copy(at, name)
		at[11] = attributes
	}
	for _, c := range []struct {
		name, want string
		edit       func(content, root []byte)
	}{
		{"none", "", func([]byte, []byte) {}},
		{"boot sector only", "BOOT", func(content, _ []byte) { copy(content[43:], "BOOT       ") }},
		{"root wins", "ROOT", func(content, root []byte) {
			copy(content[43:], "BOOT       ")
			put(root, "ROOT       ", 0x08)
		}},
		{"behind files, long names and deleted ones", "DEEP", func(_, root []byte) {
			put(root, "\xe5GONE       ", 0x08)
			put(root[32:], "ALONGNAME  ", 0x0F)
			put(root[64:], "FOLDER     ", 0x10)
			put(root[96:], "FILE    TXT", 0x20)
			put(root[128:], "DEEP       ", 0x28)
		}},
		{"behind the end", "", func(_, root []byte) { put(root[32:], "LATE       ", 0x08) }},
		{"first byte 05 stands for E5", "\uFFFDX", func(_, root []byte) { put(root, "\x05X         ", 0x08) }},
		{"no extended signature", "", func(content, _ []byte) {
			copy(content[43:], "BOOT       ")
			content[38] = 0x28
		}},
	} {
		if got := fat16(c.edit); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// A label that lies in the second cluster of a FAT32 root directory, whose first is full.
func TestFAT32LabelIsFoundAlongTheChain(t *testing.T) {
	content := make([]byte, 40*mib)
	copy(content, expand(t, "filesystems/fat32.zst"))
	cluster := int(content[13]) * 512
	fat := content[int(binary.LittleEndian.Uint16(content[14:]))*512:]
	root := content[(int(binary.LittleEndian.Uint16(content[14:]))+int(content[16])*int(binary.LittleEndian.Uint32(content[36:])))*512:]
	for at := 0; at < cluster; at += 32 {
		copy(root[at:], "FILE    TXT\x20")
	}
	binary.LittleEndian.PutUint32(fat[8:], 0xF0000005) // the upper 4 bits are not part of the number
	copy(root[3*cluster:], "SECOND     \x08")
	if got := inspect(t, content).FileSystem.Label; got != "SECOND" {
		t.Errorf("%q", got)
	}
	binary.LittleEndian.PutUint32(fat[8:], 2) // a chain that leads back to itself
	if got := inspect(t, content).FileSystem.Label; got != "BOOTSECT" {
		t.Errorf("%q", got)
	}
}

// The upper half of the block count counts only with the 64-bit feature (kernel, Documentation/filesystems/ext4).
func TestExtCountsBlocksIn64Bits(t *testing.T) {
	content := expand(t, "filesystems/ext4.zst")
	content[0x400+0x150] = 1
	if got := inspect(t, content).FileSystem.SizeBytes; got != 1<<42+4*mib {
		t.Errorf("%d bytes with the feature", got)
	}
	content[0x400+0x60] &^= 0x80
	if got := inspect(t, content).FileSystem.SizeBytes; got != 4*mib {
		t.Errorf("%d bytes without", got)
	}
}
