//go:build images

// Two whole board images, made with Debian's own tools; the values were read from them with sfdisk, sgdisk and blkid.
package partition_test

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
	"github.com/ulikunitz/xz"

	"cardwright/partition"
)

func TestInspectBoardImageMBR(t *testing.T) {
	packed := openImage(t, "board-mbr.img.xz")
	plain, err := xz.NewReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	table := inspectUnpacked(t, plain)
	want := []partition.Partition{
		{Number: 1, StartLBA: 8192, Sectors: 131072, Type: "0c", Boot: true, FileSystem: &partition.FileSystem{
			Kind: "fat32", Label: "BOOTFS", UUID: "0BAD-CAFE",
			SizeBytes: 131040 * 512, // as minfo of mtools 4.0.32 tells: mkfs.fat leaves out a last, incomplete track
		}},
		{Number: 2, StartLBA: 139264, Sectors: 671744, Type: "83", FileSystem: &partition.FileSystem{
			Kind: "ext4", Label: "rootfs", UUID: "6f1d7a3c-2b54-4c0e-9d27-0c5a51e9b7aa", SizeBytes: 671744 * 512,
		}},
	}
	if diff := cmp.Diff(want, table.Partitions); diff != "" {
		t.Error(diff)
	}
	if table.Kind != partition.SchemeMBR || table.ID != "5eedca4d" || table.SizeBytes != 415236096 {
		t.Errorf("kind %s, id %s, %d bytes", table.Kind, table.ID, table.SizeBytes)
	}
	noneAboveInformation(t, table)
}

func TestInspectBoardImageGPT(t *testing.T) {
	packed := openImage(t, "uefi-gpt.img.zst")
	plain, err := zstd.NewReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	defer plain.Close()
	table := inspectUnpacked(t, plain)
	want := []partition.Partition{
		{
			Number: 1, StartLBA: 2048, Sectors: 71679 - 2048 + 1, Type: "C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
			Name: "firmware", GUID: "11111111-2222-4333-8444-555555555501", FileSystem: &partition.FileSystem{
				Kind: "fat32", Label: "FIRMWARE", UUID: "1234-ABCD", SizeBytes: (71679 - 2048 + 1) * 512,
			},
		},
		{
			Number: 2, StartLBA: 71680, Sectors: 276479 - 71680 + 1, Type: "B921B045-1DF0-41C3-AF44-4C6F280D3FAE",
			Name: "rootfs-a", GUID: "11111111-2222-4333-8444-555555555502", FileSystem: &partition.FileSystem{
				Kind: "ext4", Label: "rootfs-a", UUID: "22222222-3333-4444-8555-666666666601", SizeBytes: (276479 - 71680 + 1) * 512,
			},
		},
		{
			Number: 3, StartLBA: 276480, Sectors: 327646 - 276480 + 1, Type: "0FC63DAF-8483-4772-8E79-3D69D8477DE4",
			Name: "data", GUID: "11111111-2222-4333-8444-555555555503", FileSystem: &partition.FileSystem{
				// Whole blocks of 4 KiB, as e2fsck counts them: the partition's odd rest is not part of it.
				Kind: "ext4", Label: "data", UUID: "22222222-3333-4444-8555-666666666602", SizeBytes: (327646 - 276480 + 1) * 512 / 4096 * 4096,
			},
		},
	}
	if diff := cmp.Diff(want, table.Partitions); diff != "" {
		t.Error(diff)
	}
	if table.Kind != partition.SchemeGPT || table.ID != "7B0C2A1E-5E5F-4E6B-9B7E-1F0C2D3E4F50" || table.SizeBytes != 327680*512 {
		t.Errorf("kind %s, id %s, %d bytes", table.Kind, table.ID, table.SizeBytes)
	}
	noneAboveInformation(t, table)
}

func openImage(t *testing.T, name string) *os.File {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "shared", "images", name))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// inspectUnpacked inspects the image as a file, and once more as it would be seen while streaming past.
func inspectUnpacked(t *testing.T, plain io.Reader) *partition.Table {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "image"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size, err := io.Copy(f, plain)
	if err != nil {
		t.Fatal(err)
	}
	table, err := partition.Inspect(f, size, 512)
	if err != nil {
		t.Fatal(err)
	}
	excerptAgrees(t, f, size, table)
	soonLookedAt(t, f, table)
	return table
}

// pieces counts what a card gives out whose smallest piece read is 64 KiB.
type pieces struct {
	io.ReaderAt
	bytes int64
}

func (p *pieces) ReadAt(b []byte, offsetBytes int64) (int, error) {
	p.bytes += max(int64(len(b)), 64<<10)
	return p.ReaderAt.ReadAt(b, offsetBytes)
}

// soonLookedAt takes an image's imprint, in a tenth of a second of a reader that gives 20 MB/s, and finds the files of its boot and
// root partitions, in a quarter of one, since the place before the first partition is looked at too.
func soonLookedAt(t *testing.T, f *os.File, table *partition.Table) {
	t.Helper()
	card := &pieces{ReaderAt: f}
	imprint, err := partition.TakeImprint(card, table)
	if err != nil || len(imprint.Volumes) != len(table.Partitions) || card.bytes > 2<<20 {
		t.Errorf("%+v, %v, after %d bytes", imprint, err, card.bytes)
	}
	t.Logf("%d bytes were read for the imprint", card.bytes)
	card.bytes = 0
	holdings, err := partition.Occupied(card, table.SizeBytes, table)
	if err != nil || len(holdings) != len(table.Partitions) || card.bytes > 5<<20 {
		t.Errorf("%+v, %v, after %d bytes", holdings, err, card.bytes)
	}
	for i, h := range holdings[:2] {
		if h.Partition != i+1 || h.Holds != partition.HoldsFiles {
			t.Errorf("%+v", h)
		}
	}
}

// excerptAgrees streams the image past an excerpt and holds its table against the file's.
func excerptAgrees(t *testing.T, f *os.File, size int64, want *partition.Table) {
	t.Helper()
	block := make([]byte, 4<<20)
	var excerpt *partition.Excerpt
	for at := int64(0); at < size; at += int64(len(block)) {
		n, err := f.ReadAt(block, at)
		if err != nil && err != io.EOF {
			t.Fatal(err)
		}
		if at == 0 {
			excerpt = partition.NewExcerpt(block[:n])
			if !partition.Recognise(block[:128<<10]) {
				t.Error("not recognised by its first bytes")
			}
		}
		excerpt.Observe(at, block[:n])
	}
	table, err := partition.Inspect(excerpt.View(nil), size, 512)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, table); diff != "" {
		t.Error(diff)
	}
}

func noneAboveInformation(t *testing.T, table *partition.Table) {
	t.Helper()
	for _, finding := range table.Findings {
		if finding.Severity != partition.Information {
			t.Errorf("%+v", finding)
		}
	}
}
