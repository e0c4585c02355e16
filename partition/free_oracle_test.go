//go:build oracle

// Live tests of FreeSpace against e2fsprogs, dosfstools and mtools.
package partition_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// A freeing is a file system that is made, filled and used a little; IMAGE and TREE stand for paths. Files are removed again, so
// that free space lies between others.
type freeing struct {
	name      string
	sizeBytes int64
	command   string
}

func extFreeings() []freeing {
	const mke2fs = "mke2fs -q -F -d TREE "
	return []freeing{
		{"ext2-1k", 61*mib + 5*1024, mke2fs + "-t ext2 -b 1024 IMAGE"},
		{"ext2-4k", 300 * mib, mke2fs + "-t ext2 -b 4096 IMAGE"},
		{"ext2-dense-supers", 64 * mib, mke2fs + "-t ext2 -b 1024 -O ^sparse_super,^resize_inode IMAGE"},
		{"ext3-1k", 64 * mib, mke2fs + "-t ext3 -b 1024 IMAGE"},
		{"ext3-4k", 300 * mib, mke2fs + "-t ext3 -b 4096 IMAGE"},
		{"ext4-1k", 64 * mib, mke2fs + "-t ext4 -b 1024 IMAGE"},
		{"ext4-2k", 100 * mib, mke2fs + "-t ext4 -b 2048 IMAGE"},
		{"ext4-4k", 700 * mib, mke2fs + "-t ext4 -b 4096 IMAGE"},
		{"ext4-crc16", 64 * mib, mke2fs + "-t ext4 -b 1024 -O ^metadata_csum,uninit_bg IMAGE"},
		{"ext4-crc16-64bit", 64 * mib, mke2fs + "-t ext4 -b 1024 -O ^metadata_csum,uninit_bg,64bit IMAGE"},
		{"ext4-no-sums", 64 * mib, mke2fs + "-t ext4 -b 1024 -O ^metadata_csum,^uninit_bg IMAGE"},
		{"ext4-32bit", 64 * mib, mke2fs + "-t ext4 -b 1024 -O ^64bit IMAGE"},
		{"ext4-seed", 64 * mib, mke2fs + "-t ext4 -b 1024 -O metadata_csum_seed IMAGE"},
		{"ext4-no-flex", 64 * mib, mke2fs + "-t ext4 -b 1024 -O ^flex_bg IMAGE"},
		{"ext4-wide-flex", 96 * mib, mke2fs + "-t ext4 -b 1024 -G 64 IMAGE"},
		{"ext4-meta-groups", 400 * mib, mke2fs + "-t ext4 -b 1024 -O meta_bg,^resize_inode IMAGE"},
		{"ext4-meta-groups-32bit", 400 * mib, mke2fs + "-t ext4 -b 1024 -O meta_bg,^resize_inode,^64bit,^flex_bg IMAGE"},
		{"ext4-two-supers", 96 * mib, mke2fs + "-t ext4 -b 1024 -O sparse_super2,^resize_inode IMAGE"},
		{"ext4-no-journal", 64 * mib, mke2fs + "-t ext4 -b 4096 -O ^has_journal IMAGE"},
		{"ext4-small-groups", 64 * mib, mke2fs + "-t ext4 -b 4096 -g 1024 -N 20000 IMAGE"},
		{"ext4-not-lazy", 96 * mib, mke2fs + "-t ext4 -b 1024 -E lazy_itable_init=0 IMAGE"},
		{"ext4-more-features", 96 * mib, mke2fs + "-t ext4 -b 1024 -O large_dir,ea_inode,encrypt,verity,casefold IMAGE"},
		{"ext4-fast-commit", 96 * mib, mke2fs + "-t ext4 -b 1024 -O fast_commit,stable_inodes,orphan_file IMAGE"},
		{"ext4-rows", 96 * mib, mke2fs + "-t ext4 -b 1024 -E stride=16,stripe_width=64 IMAGE"},
	}
}

func fatFreeings() []freeing {
	return []freeing{
		{"fat12", 15 * mib, "mkfs.fat -F 12 -s 8 IMAGE"},
		{"fat16", 64 * mib, "mkfs.fat -F 16 IMAGE"},
		{"fat16-one-table", 64 * mib, "mkfs.fat -F 16 -f 1 IMAGE"},
		{"fat16-4096", 128 * mib, "mkfs.fat -F 16 -S 4096 IMAGE"},
		{"fat32", 96 * mib, "mkfs.fat -F 32 IMAGE"},
		{"fat32-single-sectors", 48 * mib, "mkfs.fat -F 32 -s 1 IMAGE"},
		{"fat32-more-reserved", 96 * mib, "mkfs.fat -F 32 -R 64 IMAGE"},
	}
}

// freeTree holds files that take all in all some 8 MiB.
func freeTree(t *testing.T) string {
	t.Helper()
	tree := t.TempDir()
	random := rand.NewChaCha8([32]byte{11})
	for i, size := range []int{0, 5, 700_000, 1_500_000, 300_001, 2 * mib, 90_000, 1_200_000, 600_000, 250_000, 800_000} {
		content := make([]byte, size)
		_, _ = random.Read(content) // documented never to fail
		path := filepath.Join(tree, fmt.Sprintf("d%d", i%3), fmt.Sprintf("f%d", i))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return tree
}

// removed are the files that are taken away again.
func removed() []string { return []string{"d0/f3", "d1/f7"} }

func (f freeing) make(t *testing.T, tree string) string {
	t.Helper()
	path := newImage(t, f.sizeBytes)
	run(t, "", strings.Fields(strings.NewReplacer("IMAGE", path, "TREE", tree).Replace(f.command))...)
	if strings.HasPrefix(f.name, "fat") {
		run(t, "", "mcopy", "-s", "-i", path, filepath.Join(tree, "d0"), filepath.Join(tree, "d1"), filepath.Join(tree, "d2"), "::")
		for _, name := range removed() {
			run(t, "", "mdel", "-i", path, "::"+name)
		}
		return path
	}
	for _, name := range removed() {
		run(t, "", "debugfs", "-w", "-R", "rm "+name, path)
	}
	return path
}

func freeOf(t *testing.T, path string) []partition.Range {
	t.Helper()
	table := inspectFile(t, path, 512)
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	free, err := partition.FreeSpace(file, table, table.SizeBytes)
	if err != nil {
		t.Fatal(err)
	}
	return free
}

// dumped are the free blocks that dumpe2fs lists.
func dumped(t *testing.T, path string, sizeBytes int64) []partition.Range {
	t.Helper()
	listing := run(t, "", "dumpe2fs", path)
	return listedFree(t, listing, field(t, listing, "Block size:"), sizeBytes)
}

// spoilFree overwrites what is free with what an old card may hold.
func spoilFree(t *testing.T, path string, free []partition.Range) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	garbage := bytes.Repeat([]byte{0xA5}, mib)
	for _, r := range free {
		for at := r.OffsetBytes; at < r.EndBytes(); at += mib {
			if _, err := file.WriteAt(garbage[:min(mib, r.EndBytes()-at)], at); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// expectTree expects the files that were not removed, and no others.
func expectTree(t *testing.T, want, got string) {
	t.Helper()
	read := func(root string) map[string]string {
		files := map[string]string{}
		err := filepath.WalkDir(root, func(path string, entry fs.DirEntry, err error) error {
			name, _ := filepath.Rel(root, path)
			if err != nil || entry.IsDir() || slices.Contains(removed(), name) {
				return err
			}
			content, err := os.ReadFile(path)
			if !strings.HasPrefix(name, "lost+found") {
				files[name] = string(content)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return files
	}
	if wanted, found := read(want), read(got); len(wanted) < 5 || !cmp.Equal(wanted, found) {
		t.Errorf("%d files were put in, %d came out, or not the same", len(wanted), len(found))
	}
}

func TestFreeSpaceOfExtIsWhatDumpe2fsLists(t *testing.T) {
	tree, runs := freeTree(t), 0
	for _, f := range extFreeings() {
		t.Run(f.name, func(t *testing.T) {
			path := f.make(t, tree)
			free := freeOf(t, path)
			runs += len(free)
			if diff := cmp.Diff(dumped(t, path, f.sizeBytes), free); diff != "" || len(free) < 2 {
				t.Fatalf("%d runs (-dumpe2fs +FreeSpace):\n%s", len(free), diff)
			}
			spoilFree(t, path, free)
			run(t, "", "e2fsck", "-fn", path)
			out := t.TempDir()
			run(t, "", "debugfs", "-R", "rdump / "+out, path)
			expectTree(t, tree, out)
		})
	}
	t.Logf("%d file systems, %d runs of free space", len(extFreeings()), runs)
}

// mdir tells how many bytes are free in all; only what the rule about ends and short runs takes may lie between that and FreeSpace.
func TestFreeSpaceOfFATIsWhatMtoolsTells(t *testing.T) {
	tree := freeTree(t)
	for _, f := range fatFreeings() {
		t.Run(f.name, func(t *testing.T) {
			path := f.make(t, tree)
			free, total := freeOf(t, path), int64(0)
			for _, r := range free {
				total += r.LengthBytes
			}
			told := strings.Join(strings.Fields(lastLine(run(t, "", "mdir", "-i", path, "::"))), "")
			want := field(t, told, "")
			if total > want || total < want-2*mib || len(free) < 2 {
				t.Errorf("%d bytes in %d runs are free, mdir tells %d", total, len(free), want)
			}
			spoilFree(t, path, free)
			run(t, "", "fsck.fat", "-n", path)
			out := t.TempDir()
			run(t, "", "mcopy", "-s", "-n", "-i", path, "::d0", "::d1", "::d2", out)
			expectTree(t, tree, out)
		})
	}
}

func lastLine(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return lines[len(lines)-1]
}

// TestFreeSpaceIsNoneWhereAnythingSpeaksAgainstIt lets the general tools make what must not be trusted.
func TestFreeSpaceIsNoneWhereAnythingSpeaksAgainstIt(t *testing.T) {
	tree := freeTree(t)
	ext := freeing{"ext4", 64 * mib, "mke2fs -q -F -t ext4 -b 1024 -d TREE IMAGE"}
	debugfs := func(request string) [][]string { return [][]string{{"debugfs", "-w", "-R", request, "IMAGE"}} }
	for name, c := range map[string]struct {
		freeing
		then [][]string
	}{
		"journal to be replayed": {ext, debugfs("feature +needs_recovery")},
		"errors noted":           {ext, debugfs("set_super_value state 2")},
		"errors counted":         {ext, debugfs("set_super_value error_count 1")},
		"not cleanly left":       {ext, debugfs("set_super_value state 0")},
		"an orphan":              {ext, debugfs("set_super_value last_orphan 12")},
		"free blocks miscounted": {ext, debugfs("set_super_value free_blocks_count 7")},
		"an unknown feature":     {ext, debugfs("feature +FEATURE_I25")},
		"a bitmap of its own":    {ext, debugfs("set_bg 2 block_bitmap 12345")},
		"a group miscounted":     {ext, debugfs("set_bg 2 free_blocks_count 3")},
		"a group's checksum":     {ext, debugfs("set_bg 1 checksum 0x1234")},
		"clusters":               {freeing{"ext4", 64 * mib, "mke2fs -q -F -t ext4 -O bigalloc -d TREE IMAGE"}, nil},
		"mounted by several":     {freeing{"ext4", 64 * mib, "mke2fs -q -F -t ext4 -O mmp -d TREE IMAGE"}, nil},
		"quotas":                 {freeing{"ext4", 64 * mib, "mke2fs -q -F -t ext4 -O quota -d TREE IMAGE"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			path := c.make(t, tree)
			for _, command := range c.then {
				words := slices.Clone(command)
				for i := range words {
					words[i] = strings.ReplaceAll(words[i], "IMAGE", path)
				}
				if out, err := exec.CommandContext(t.Context(), words[0], words[1:]...).CombinedOutput(); err != nil {
					t.Fatalf("%v: %v: %s", words, err, out)
				}
			}
			if free := freeOf(t, path); len(free) > 0 {
				t.Errorf("%v", free)
			}
		})
	}
}
