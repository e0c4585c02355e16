//go:build device

package e2e_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// The places of a class image's partitions. The boot partition begins in the first block, which is written last, so that a
// card's own files change the head as well as the body.
const (
	classBootAt    = 1 * mib
	classBootBytes = 16 * mib
	classRootAt    = 20 * mib
	classRootBytes = 68 * mib
	classBytes     = classRootAt + classRootBytes // long enough for a pace to be told while a card is written
	classCardBytes = 112 * mib
)

// A classImage is a board image that general tools made: a FAT boot partition with files, and a root file system.
type classImage struct {
	path    string // packed
	decoded []byte
	boot    map[string]string // the files of the boot partition, by path
}

func makeClassImage(t *testing.T) classImage {
	t.Helper()
	dir := t.TempDir()
	boot, root := filepath.Join(dir, "boot"), filepath.Join(dir, "root")
	image := classImage{path: filepath.Join(dir, "class.img.xz"), boot: map[string]string{
		"node.env":            "node=unset\n",
		"kernel.bin":          string(noise(3*mib, 1)),
		"overlays/scales.dtb": string(noise(9_000, 2)),
		"overlays/readme.txt": "one file for each sensor\n",
	}}
	writeTree(t, boot, image.boot)
	writeTree(t, root, map[string]string{"etc/hostname": "unset\n", "usr/lib/library.so": string(noise(12*mib, 3))})
	bootPart, rootPart := filepath.Join(dir, "boot.part"), filepath.Join(dir, "root.part")
	truncated(t, bootPart, classBootBytes)
	tool(t, "mkfs.vfat", "-F", "16", "-n", "CLASSBOOT", bootPart)
	tool(t, "mcopy", "-s", "-i", bootPart, filepath.Join(boot, "node.env"), filepath.Join(boot, "kernel.bin"),
		filepath.Join(boot, "overlays"), "::/")
	tool(t, "mke2fs", "-q", "-t", "ext4", "-L", "classroot", "-d", root, rootPart, fmt.Sprint(classRootBytes>>10)+"k")
	plain := filepath.Join(dir, "class.img")
	truncated(t, plain, classBytes)
	partitioned(t, plain, fmt.Sprintf("label: dos\nstart=%d, size=%d, type=0e, bootable\nstart=%d, size=%d, type=83\n",
		classBootAt/512, classBootBytes/512, classRootAt/512, classRootBytes/512))
	image.decoded = readFile(t, plain)
	copy(image.decoded[classBootAt:], readFile(t, bootPart))
	copy(image.decoded[classRootAt:], readFile(t, rootPart))
	writeFile(t, plain, image.decoded)
	tool(t, "xz", "-0", "-T2", plain)
	return image
}

// noise gives bytes that repeat nowhere and that cannot be packed.
func noise(lengthBytes int, seed byte) []byte {
	p := make([]byte, lengthBytes)
	_, _ = rand.NewChaCha8([32]byte{seed}).Read(p) // documented never to fail
	return p
}

// partitioned has sfdisk write a table.
func partitioned(t *testing.T, path, script string) {
	t.Helper()
	toolWith(t, []byte(script), "sfdisk", "-q", path)
}

func writeTree(t *testing.T, dir string, files map[string]string) {
	t.Helper()
	for name, content := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		writeFile(t, path, []byte(content))
	}
}

// readTree gives the content of every file below a folder, by path.
func readTree(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, entry fs.DirEntry, err error) error {
		if err == nil && !entry.IsDir() {
			files[name] = string(readFile(t, filepath.Join(dir, name)))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func truncated(t *testing.T, path string, sizeBytes int64) {
	t.Helper()
	writeFile(t, path, nil)
	if err := os.Truncate(path, sizeBytes); err != nil {
		t.Fatal(err)
	}
}

func writeFile(t *testing.T, path string, content []byte) {
	t.Helper()
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return content
}

// A judge looks at cards of a class image with general tools.
type judge struct {
	image classImage
	dir   string // of the files that the tools are shown
}

// expectDelivered expects the image on a card: byte for byte outside the boot partition, and in that the image's files and the
// card's own, in sound file systems.
func (j judge) expectDelivered(t *testing.T, what string, card *seated, own map[string]string) {
	t.Helper()
	held := card.Truth().Read(0, classBytes)
	const bootEnd = classBootAt + classBootBytes
	if !bytes.Equal(held[:classBootAt], j.image.decoded[:classBootAt]) || !bytes.Equal(held[bootEnd:], j.image.decoded[bootEnd:]) {
		t.Errorf("%s: outside its boot partition the card is not as the image", what)
	}
	if end := card.Truth().Read(classCardBytes-clearBytes, clearBytes); !bytes.Equal(end, make([]byte, clearBytes)) {
		t.Errorf("%s: the card's last 1 MiB is not zero", what)
	}
	boot, root := filepath.Join(j.dir, "boot.part"), filepath.Join(j.dir, "root.part")
	writeFile(t, boot, held[classBootAt:bootEnd])
	writeFile(t, root, held[classRootAt:])
	// fsck.fat prints a line for each complaint before its summary, which begins with the file's name; it exits with 0 where
	// there is none (fsck.fat(8)).
	if said := tool(t, "fsck.fat", "-n", boot); bytes.Count(said, []byte("\n")) != 2 {
		t.Errorf("%s: fsck.fat complains:\n%s", what, said)
	}
	tool(t, "e2fsck", "-fn", root) // exits with 0 where nothing is wrong (e2fsck(8))
	want := map[string]string{}
	for _, files := range []map[string]string{j.image.boot, own} {
		for name, content := range files {
			want[name] = content
		}
	}
	for name, content := range own {
		if said := tool(t, "mtype", "-i", boot, "::/"+name); string(said) != content {
			t.Errorf("%s: mtype reads %s as %q, want %q", what, name, said, content)
		}
	}
	got := mcopied(t, boot)
	for name, content := range want {
		if got[name] != content {
			t.Errorf("%s: the boot partition's %s is not as it should be", what, name)
		}
		delete(got, name)
	}
	for name := range got {
		t.Errorf("%s: the boot partition holds a file %s that nobody put there", what, name)
	}
}

// mcopied has mcopy read all files of a FAT file system.
func mcopied(t *testing.T, part string) map[string]string {
	t.Helper()
	dir, err := os.MkdirTemp(filepath.Dir(part), "files")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	tool(t, "mcopy", "-s", "-n", "-i", part, "::/*", dir)
	return readTree(t, dir)
}
