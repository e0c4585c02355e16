//go:build images

package source_test

import (
	"io"
	"path/filepath"
	"testing"

	"cardwright/flash/source"
)

// Two whole board images. Sizes by xz -l and zstd -l, digests by sha256sum of the files and of what xz -dc and zstd -dc give.
// They lie beside the project; where they are missing this test fails.
func TestBoardImagesDecode(t *testing.T) {
	for _, want := range []source.Facts{
		{
			Name: "board-mbr.img.xz", Format: source.FormatXZ, PackedBytes: 35383656, ImageBytes: 415236096,
			PackedSHA256: "20f87d42560e9a0a61d4bb30a5f1696758b06d00b157fce5a09d8abd79de5d35",
			ImageSHA256:  "b5e43bc85b8995bf35e42dc8899c5804766c64e5bd39e2dad2b078983380163b", Expected: source.Matched,
		},
		{
			Name: "uefi-gpt.img.zst", Format: source.FormatZstd, PackedBytes: 5776265, ImageBytes: 167772160,
			PackedSHA256: "f737c3662386626d84700cd51559507f1f9771b181daaf1ad00bced1e4b8b84e",
			ImageSHA256:  "a3ed5214ae8660c25556442716db5186d15bf91ad0da891893b95e41357e97bc", Expected: source.Matched,
		},
	} {
		t.Run(want.Name, func(t *testing.T) {
			expected, err := source.ParseExpected("image:" + want.ImageSHA256)
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join("..", "..", "..", "shared", "images", want.Name)
			image, err := source.Open(t.Context(), path, source.Options{Expected: expected})
			if err != nil {
				t.Fatal(err)
			}
			defer image.Close()
			if size, known := image.DeclaredBytes(); !known || size != want.ImageBytes {
				t.Errorf("declared %d, %v", size, known)
			}
			if _, err := io.Copy(io.Discard, image); err != nil {
				t.Fatal(err)
			}
			if got := image.Facts(); got != want {
				t.Errorf("%+v, want %+v", got, want)
			}
		})
	}
}
