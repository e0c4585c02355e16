//go:build device

package e2e_test

import (
	"os"
	"path/filepath"
	"testing"
)

// imagesFolder lies beside the checkout. IMAGES.md in it tells how the images were made, and gives the values below as
// sha256sum 9.1, sfdisk 2.38, sgdisk 1.0 and blkid 2.38 read them.
const imagesFolder = "../../shared/images"

// A boardImage is a real image and what is known of it.
type boardImage struct {
	file         string
	format       string
	packedBytes  int64
	packedSHA256 string
	imageBytes   int64
	imageSHA256  string
	table        tableDoc
}

// path gives the image's file, and fails the test where it is missing.
func (b boardImage) path(t *testing.T) string {
	t.Helper()
	path := filepath.Join(imagesFolder, b.file)
	if _, err := os.Stat(path); err != nil {
		t.Fatalf("the board images are needed: %v", err)
	}
	return path
}

func mbrImage() boardImage {
	return boardImage{
		file: "board-mbr.img.xz", format: "xz", packedBytes: 35_383_656,
		packedSHA256: "20f87d42560e9a0a61d4bb30a5f1696758b06d00b157fce5a09d8abd79de5d35",
		imageBytes:   415_236_096,
		imageSHA256:  "b5e43bc85b8995bf35e42dc8899c5804766c64e5bd39e2dad2b078983380163b",
		table: tableDoc{Kind: "mbr", ID: "5eedca4d", Sector: 512, Partitions: []partitionDoc{
			{
				Number: 1, Start: 8192, Sectors: 131072, Type: "0c", Boot: true,
				FileSystem: &fileSystemDoc{Kind: "fat32", Label: "BOOTFS", UUID: "0BAD-CAFE"},
			},
			{
				Number: 2, Start: 139264, Sectors: 671744, Type: "83",
				FileSystem: &fileSystemDoc{Kind: "ext4", Label: "rootfs", UUID: "6f1d7a3c-2b54-4c0e-9d27-0c5a51e9b7aa"},
			},
		}},
	}
}

func gptImage() boardImage {
	return boardImage{
		file: "uefi-gpt.img.zst", format: "zstd", packedBytes: 5_776_265,
		packedSHA256: "f737c3662386626d84700cd51559507f1f9771b181daaf1ad00bced1e4b8b84e",
		imageBytes:   167_772_160,
		imageSHA256:  "a3ed5214ae8660c25556442716db5186d15bf91ad0da891893b95e41357e97bc",
		table: tableDoc{Kind: "gpt", ID: "7B0C2A1E-5E5F-4E6B-9B7E-1F0C2D3E4F50", Sector: 512, Partitions: []partitionDoc{
			{
				Number: 1, Start: 2048, Sectors: 69632, Type: "C12A7328-F81F-11D2-BA4B-00A0C93EC93B", Name: "firmware",
				GUID: "11111111-2222-4333-8444-555555555501", FileSystem: &fileSystemDoc{Kind: "fat32", Label: "FIRMWARE", UUID: "1234-ABCD"},
			},
			{
				Number: 2, Start: 71680, Sectors: 204800, Type: "B921B045-1DF0-41C3-AF44-4C6F280D3FAE", Name: "rootfs-a",
				GUID:       "11111111-2222-4333-8444-555555555502",
				FileSystem: &fileSystemDoc{Kind: "ext4", Label: "rootfs-a", UUID: "22222222-3333-4444-8555-666666666601"},
			},
			{
				Number: 3, Start: 276480, Sectors: 51167, Type: "0FC63DAF-8483-4772-8E79-3D69D8477DE4", Name: "data",
				GUID:       "11111111-2222-4333-8444-555555555503",
				FileSystem: &fileSystemDoc{Kind: "ext4", Label: "data", UUID: "22222222-3333-4444-8555-666666666602"},
			},
		}},
	}
}

// unpacked gives the decoded image, as the format's own tool decodes it.
func (b boardImage) unpacked(t *testing.T) []byte {
	t.Helper()
	name := map[string]string{"xz": "xz", "zstd": "zstd"}[b.format]
	image := tool(t, name, "-dc", b.path(t))
	if int64(len(image)) != b.imageBytes {
		t.Fatalf("%s gives %d bytes, want %d", name, len(image), b.imageBytes)
	}
	return image
}
