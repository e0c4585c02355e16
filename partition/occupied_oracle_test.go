//go:build oracle

package partition_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/partition"
)

// occupiedFile tells what an image file holds.
func occupiedFile(t *testing.T, path string) []partition.Holding {
	t.Helper()
	table := inspectFile(t, path, 512)
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	holdings, err := partition.Occupied(file, table.SizeBytes, table)
	if err != nil {
		t.Fatal(err)
	}
	return holdings
}

// A filling is a file system that its own tool made, and what other tools then did to it: IMAGE, TREE (a folder of 40 files) and FILE
// stand for paths, and SCRIPT for one to debugfs.
type filling struct {
	name      string
	sizeBytes int64
	commands  []string
	holds     partition.Holds
}

func fillings() []filling {
	const nothing, files, unknown = partition.HoldsNothing, partition.HoldsFiles, partition.HoldsUnknown
	var all []filling
	for _, f := range []struct {
		name, make string
		sizeBytes  int64
	}{
		{"fat12", "mkfs.vfat -F 12 IMAGE", 2 * mib},
		{"fat16", "mkfs.vfat -F 16 -n PLAIN IMAGE", 16 * mib},
		{"fat16-4096", "mkfs.vfat -F 16 -S 4096 -n LARGE IMAGE", 64 * mib},
		{"fat32", "mkfs.vfat -F 32 -n PLAIN IMAGE", 64 * mib},
		{"fat32-large", "mkfs.vfat -F 32 -s 64 -n PLAIN IMAGE", 8192 * mib},
	} {
		all = append(
			all,
			filling{f.name + ", just made", f.sizeBytes, []string{f.make}, nothing},
			filling{f.name + ", a label set", f.sizeBytes, []string{f.make, "mlabel -i IMAGE ::later"}, nothing},
			filling{f.name + ", a file", f.sizeBytes, []string{f.make, "mcopy -i IMAGE FILE ::IMG_0001.JPG"}, files},
			filling{f.name + ", a long name", f.sizeBytes, []string{f.make, "mcopy -i IMAGE FILE ::a-photograph-of-somebody.jpeg"}, files},
			filling{f.name + ", an empty folder", f.sizeBytes, []string{f.make, "mmd -i IMAGE ::DCIM"}, files},
			filling{f.name + ", a folder of many files", f.sizeBytes, []string{f.make, "mcopy -s -i IMAGE TREE ::"}, files},
			filling{f.name + ", a deleted file", f.sizeBytes, []string{
				f.make, "mcopy -i IMAGE FILE ::a-photograph-of-somebody.jpeg", "mdel -i IMAGE ::a-photograph-of-somebody.jpeg",
			}, nothing},
			filling{f.name + ", one of two deleted", f.sizeBytes, []string{
				f.make, "mcopy -i IMAGE FILE ::a.jpg", "mcopy -i IMAGE FILE ::b.jpg", "mdel -i IMAGE ::a.jpg",
			}, files},
		)
	}
	for _, options := range []string{
		"", "-c 512", "-c 64K", "-c 128K -b 1M", "-L label", "--pack-bitmap",
	} {
		all = append(all, filling{"exfat " + options, 64 * mib, []string{"mkfs.exfat " + options + " IMAGE"}, nothing})
	}
	all = append(all, filling{"exfat, 64 GB", 64_000_000_000 / 4096 * 4096, []string{"mkfs.exfat IMAGE"}, nothing})
	for _, options := range []string{
		"-t ext2", "-t ext2 -b 1024", "-t ext3", "-t ext4", "-t ext4 -b 1024", "-t ext4 -b 4096", "-t ext4 -O ^64bit,^metadata_csum",
		"-t ext4 -O ^flex_bg,^resize_inode", "-t ext4 -O orphan_file", "-t ext4 -O quota", "-t ext4 -I 128", "-t ext2 -r 0",
		"-t ext4 -O uninit_bg,^metadata_csum -E lazy_itable_init=1", "-t ext4 -O sparse_super2",
	} {
		mke2fs := "mke2fs -q -F " + options
		all = append(
			all,
			filling{mke2fs, 300 * mib, []string{mke2fs + " IMAGE"}, nothing},
			filling{mke2fs + ", checked", 300 * mib, []string{mke2fs + " IMAGE", "e2fsck -f -y IMAGE"}, nothing},
			filling{mke2fs + ", a file", 300 * mib, []string{mke2fs + " -d TREE IMAGE"}, files},
			filling{mke2fs + ", a folder", 300 * mib, []string{mke2fs + " IMAGE", "debugfs: mkdir DCIM"}, files},
			filling{mke2fs + ", a deleted folder", 300 * mib, []string{mke2fs + " IMAGE", "debugfs: mkdir DCIM", "debugfs: rmdir DCIM"}, nothing},
		)
	}
	return append(
		all,
		filling{"ext4, 32 GB", 32_000_000_000 / 4096 * 4096, []string{"mke2fs -q -t ext4 IMAGE"}, nothing},
		filling{"ext4, its groups apart", 300 * mib, []string{"mke2fs -q -t ext4 -O meta_bg,^resize_inode IMAGE"}, unknown},
		filling{"ext4, its counts disagree", 300 * mib, []string{"mke2fs -q -t ext4 IMAGE", "debugfs: set_super_value free_inodes_count 1000"}, files},
		filling{"ext4, its groups disagree", 300 * mib, []string{"mke2fs -q -t ext4 IMAGE", "debugfs: set_block_group 1 free_inodes_count 1"}, unknown},
		filling{"ext3, a journal to be replayed", 300 * mib, []string{"mke2fs -q -t ext3 IMAGE", "debugfs -w -f SCRIPT IMAGE"}, unknown},
		filling{"ext2, not taken out", 300 * mib, []string{"mke2fs -q -t ext2 IMAGE", "debugfs: set_super_value state 0"}, unknown},
		filling{"swap", 2 * mib, []string{"mkswap -q IMAGE"}, unknown},
		filling{"btrfs", 120 * mib, []string{"mkfs.btrfs -q IMAGE"}, unknown},
		filling{"f2fs", 64 * mib, []string{"mkfs.f2fs -q IMAGE"}, unknown},
		filling{"ntfs", 8 * mib, []string{"mkfs.ntfs -q -F -Q IMAGE"}, unknown},
	)
}

// tool runs one command of a filling. One that begins with "debugfs:" is a request to debugfs, which writes.
func tool(t *testing.T, command, path string) string {
	t.Helper()
	tree := filepath.Join(filepath.Dir(path), "DCIM")
	if err := os.MkdirAll(tree, 0o700); err != nil {
		t.Fatal(err)
	}
	for n := range 40 {
		if err := os.WriteFile(filepath.Join(tree, fmt.Sprintf("IMG_%04d.JPG", n)), []byte("a photograph"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if request, ok := strings.CutPrefix(command, "debugfs: "); ok {
		return run(t, "", "debugfs", "-w", "-R", strings.ReplaceAll(request, "FILE", filepath.Join(tree, "IMG_0000.JPG")), path)
	}
	// A transaction that is not carried out, so that the journal is to be replayed.
	script := filepath.Join(filepath.Dir(path), "script")
	if err := os.WriteFile(script, []byte("jo\njw -b 9000 /dev/zero\njc\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	words := strings.Fields(command)
	for i := range words {
		words[i] = strings.NewReplacer("IMAGE", path, "TREE", tree, "SCRIPT", script, "FILE", filepath.Join(tree, "IMG_0000.JPG")).Replace(words[i])
	}
	return run(t, "", words...)
}

// TestMadeAndFilledFileSystems holds what is told against what the tools did.
func TestMadeAndFilledFileSystems(t *testing.T) {
	for _, f := range fillings() {
		t.Run(f.name, func(t *testing.T) {
			path := newImage(t, f.sizeBytes)
			for _, command := range f.commands {
				tool(t, command, path)
			}
			holdings := occupiedFile(t, path)
			if len(holdings) != 1 || holdings[0].Holds != f.holds || holdings[0].Evidence == "" {
				t.Errorf("%+v, want %s", holdings, f.holds)
			}
		})
	}
}

// TestFileOnExFATIsFound puts an entry into a root directory by hand, as no tool does it without a mount, and lets fsck.exfat
// confirm that it is one.
func TestFileOnExFATIsFound(t *testing.T) {
	path := newImage(t, 64*mib)
	run(t, "", "mkfs.exfat", path)
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	putExFATFile(content, "img.jpg")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	if said := run(t, "", "fsck.exfat", "-n", path); !strings.Contains(said, "clean. directories 1, files 1") {
		t.Errorf("fsck.exfat says %s", said)
	}
	if holdings := occupiedFile(t, path); len(holdings) != 1 || holdings[0].Holds != partition.HoldsFiles {
		t.Errorf("%+v", holdings)
	}
}
