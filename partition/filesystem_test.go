package partition_test

import (
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
