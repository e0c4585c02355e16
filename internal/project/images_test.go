//go:build images && oracle

// Two whole board images, made with Debian's own tools, get files of a card's own; fsck.fat of dosfstools and mtools look at them.
package project_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/klauspost/compress/zstd"

	"cardwright/flash/source/xz"
	"cardwright/internal/project"
	"cardwright/partition"
)

func TestBoardImagesTakeFiles(t *testing.T) {
	for name, unpacked := range map[string]func(io.Reader) (io.Reader, error){
		"board-mbr.img.xz": func(r io.Reader) (io.Reader, error) { return xz.NewReader(r, xz.Options{}), nil },
		"uefi-gpt.img.zst": func(r io.Reader) (io.Reader, error) { return zstd.NewReader(r) },
	} {
		t.Run(name, func(t *testing.T) {
			image := unpackedImage(t, name, unpacked)
			table, err := partition.Inspect(bytes.NewReader(image), int64(len(image)), 512)
			if err != nil {
				t.Fatal(err)
			}
			files := []project.File{
				{Path: "config.txt", Content: []byte("hostname=row-07\n")},
				{Path: "cmdline.txt", Content: bytes.Repeat([]byte("console=tty1 "), 900)},
				{Path: "Row Settings/network for row 7.conf", Content: []byte("address=192.0.2.7\n")},
				{Path: "ssh", Content: nil},
			}
			change, err := project.Compose(bytes.NewReader(image), table, files, whenPut)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range change.Ranges {
				copy(image[r.OffsetBytes:], r.Data)
			}
			boot := filepath.Join(t.TempDir(), "boot.img")
			if err := os.WriteFile(boot, image[change.OffsetBytes:change.OffsetBytes+change.LengthBytes], 0o600); err != nil {
				t.Fatal(err)
			}
			output(t, "fsck.fat", "-n", boot)
			for _, file := range files {
				if held := output(t, "mtype", "-i", boot, "::"+file.Path); !bytes.Equal(held, file.Content) {
					t.Errorf("%s: %d bytes", file.Path, len(held))
				}
			}
			after, err := partition.Inspect(bytes.NewReader(image), int64(len(image)), 512)
			if err != nil {
				t.Fatal(err)
			}
			if found := partition.Compare(table, after); len(found) > 0 {
				t.Error(found)
			}
		})
	}
}

// output gives what a tool prints; one that fails, or that is missing, fails the test.
func output(t *testing.T, command ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), command[0], command[1:]...)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v: %s%s", command, err, out, complaint.String())
	}
	return out
}

func unpackedImage(t *testing.T, name string, unpacked func(io.Reader) (io.Reader, error)) []byte {
	t.Helper()
	packed, err := os.Open(filepath.Join("..", "..", "..", "shared", "images", name))
	if err != nil {
		t.Fatal(err)
	}
	defer packed.Close()
	plain, err := unpacked(packed)
	if err != nil {
		t.Fatal(err)
	}
	image, err := io.ReadAll(plain)
	if err != nil {
		t.Fatal(fmt.Errorf("%s: %w", name, err))
	}
	return image
}
