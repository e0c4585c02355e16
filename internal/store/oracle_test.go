//go:build oracle

package store_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/flash/source"
	"cardwright/internal/store"
)

// sh runs tools as an operator would; a missing one is a failure.
func sh(t *testing.T, folder, command string) string {
	t.Helper()
	shell := exec.CommandContext(t.Context(), "sh", "-euc", command)
	shell.Dir, shell.Stderr = folder, os.Stderr
	output, err := shell.Output()
	if err != nil {
		t.Fatalf("%s: %v", command, err)
	}
	return strings.TrimSpace(string(output))
}

// What xz unpacks is what is prepared, sha256sum gives the same digests, and du finds that zeros take no room.
func TestOtherToolsAgree(t *testing.T) {
	name := written(t, "board.img", board(50))
	folder := filepath.Dir(name)
	sh(t, folder, "xz -k -1 --block-size=3MiB board.img")
	p := prepare(t, open(t, filepath.Join(folder, "store"), store.Options{}), name+".xz", source.Options{})
	image := filepath.Join(p.Path(), "image.raw")
	sh(t, folder, "xz -dc board.img.xz | cmp - "+image)
	for path, told := range map[string]string{"board.img.xz": p.Facts().PackedSHA256, image: p.Facts().ImageSHA256} {
		if sum := strings.Fields(sh(t, folder, "sha256sum "+path))[0]; sum != told {
			t.Errorf("sha256sum says %s of %s, told is %s", sum, path, told)
		}
	}
	first := strings.Fields(sh(t, folder, "head -c 4194304 "+image+" | sha256sum"))[0]
	if digest := p.Manifest().Blocks[0].String(); digest != first {
		t.Errorf("sha256sum says %s of the first block, the manifest %s", first, digest)
	}
	if sh(t, folder, "test $(du -k "+image+" | cut -f1) -lt $(($(du -k --apparent-size "+image+" | cut -f1) - 3000)) && echo sparse") != "sparse" {
		t.Error("du finds no holes")
	}
	key := strings.Fields(sh(t, folder, "sha256sum board.img.xz"))[0]
	if p.Key() != key {
		t.Errorf("the key is %s, the packed file's digest %s", p.Key(), key)
	}
}
