//go:build oracle

package partition_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"cardwright/partition"
)

// imprintFile takes the imprint of an image file.
func imprintFile(t *testing.T, path string) *partition.Imprint {
	t.Helper()
	table := inspectFile(t, path, 512)
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	imprint, err := partition.TakeImprint(file, table)
	if err != nil {
		t.Fatal(err)
	}
	return imprint
}

// A touching is what is done to a file system once its imprint was taken, and a sentence that tells of it: none where it only reads.
type touching struct {
	name, sentence string
	sizeBytes      int64
	before, then   []string
}

func touchings() []touching {
	const fatChanged = "files were changed on the fat32 on the medium"
	fat := func(commands ...string) []string {
		return append([]string{"mkfs.vfat -F 32 -n PLAIN IMAGE", "mcopy -i IMAGE FILE ::a.jpg"}, commands...)
	}
	ext4 := func(commands ...string) []string {
		return append([]string{"mke2fs -q -t ext4 -d TREE IMAGE"}, commands...)
	}
	all := []touching{
		{"fat32: read", "", 64 * mib, fat(), []string{"mdir -i IMAGE ::", "mtype -i IMAGE ::a.jpg", "fsck.vfat -n IMAGE", "blkid -p IMAGE"}},
		{"fat32: a file added", fatChanged, 64 * mib, fat(), []string{"mcopy -i IMAGE FILE ::b.jpg"}},
		{"fat32: a file deleted", fatChanged, 64 * mib, fat(), []string{"mdel -i IMAGE ::a.jpg"}},
		{"fat32: a file added and deleted", fatChanged, 64 * mib, fat(), []string{"mcopy -i IMAGE FILE ::b.jpg", "mdel -i IMAGE ::b.jpg"}},
		{"fat32: a file added in a folder", fatChanged, 64 * mib, fat("mmd -i IMAGE ::DCIM"), []string{"mcopy -i IMAGE FILE ::DCIM/b.jpg"}},
		{"fat32: an entry changed in a folder", fatChanged, 64 * mib, fat("mmd -i IMAGE ::DCIM", "mcopy -i IMAGE FILE ::DCIM/b.jpg"), []string{"mattrib -i IMAGE +r ::DCIM/b.jpg"}},
		{"fat32: labelled", `the fat32 on the medium is labelled "OTHER", before it was "PLAIN"`, 64 * mib, fat(), []string{"mlabel -i IMAGE ::OTHER"}},
		{"exfat: read", "", 64 * mib, []string{"mkfs.exfat IMAGE"}, []string{"fsck.exfat -n IMAGE", "dump.exfat IMAGE"}},
		{"exfat: labelled", `the exfat on the medium is labelled "new", before it was ""`, 64 * mib, []string{"mkfs.exfat IMAGE"}, []string{"tune.exfat -L new IMAGE"}},
		{"ext4: read", "", 64 * mib, ext4(), []string{"debugfs -R ls IMAGE", "e2fsck -f -n IMAGE", "dumpe2fs IMAGE", "blkid -p IMAGE"}},
		{"ext4: mounted", "the ext4 on the medium was mounted once since", 64 * mib, ext4(), []string{"debugfs: set_super_value mnt_count 1"}},
		{"ext4: mounted often", "the ext4 on the medium was mounted 3 times since", 64 * mib, ext4("tune2fs -C 2 IMAGE"), []string{"tune2fs -C 5 IMAGE"}},
		{"ext4: checked", "the ext4 on the medium was checked since", 64 * mib, ext4("tune2fs -C 2 IMAGE"), []string{"e2fsck -f -y IMAGE"}},
		{
			"ext4: written to", "the ext4 on the medium was last written to on 2031-08-08T00:00:00Z", 64 * mib, ext4(),
			[]string{"env E2FSPROGS_FAKE_TIME=1943913600 debugfs -w -R dirty IMAGE"},
		},
		{"ext4: a time without mounts", "the ext4 on the medium was written to", 64 * mib, ext4(), []string{"debugfs: set_super_value lastcheck 20310808000000"}},
		{"ext4: labelled", `the ext4 on the medium is labelled "root", before it was ""`, 64 * mib, ext4(), []string{"tune2fs -L root IMAGE"}},
		{"ext4: another UUID", "the ext4 on the medium has another UUID", 64 * mib, ext4(), []string{"tune2fs -U random IMAGE"}},
		{
			"ext3: a journal replayed", "the ext3 on the medium was ", 64 * mib,
			[]string{"mke2fs -q -t ext3 IMAGE", "debugfs -w -f SCRIPT IMAGE"},
			[]string{"e2fsck -y -E journal_only IMAGE"},
		},
		{"btrfs: written to", "the btrfs on the medium is labelled", 120 * mib, []string{"mkfs.btrfs -q IMAGE"}, []string{"btrfs filesystem label IMAGE new"}},
		{"f2fs: read", "", 64 * mib, []string{"mkfs.f2fs -q IMAGE"}, []string{"fsck.f2fs --dry-run IMAGE"}},
		{"f2fs: files added", "the f2fs on the medium was written to", 64 * mib, []string{"mkfs.f2fs -q IMAGE"}, []string{"sload.f2fs -f TREE IMAGE"}},
	}
	for _, kind := range []string{"ext2", "ext3", "ext4"} {
		all = append(all, touching{
			kind + ": a file added", "the " + kind + " on the medium was ", 64 * mib,
			[]string{"mke2fs -q -t " + kind + " IMAGE"},
			[]string{"debugfs: write FILE a.jpg"},
		})
	}
	for kind, make := range map[string]string{"fat12": "mkfs.vfat -F 12 -s 16 IMAGE", "fat16": "mkfs.vfat -F 16 IMAGE"} {
		all = append(all, touching{
			kind + ": a file added", "files were changed on the " + kind + " on the medium", 16 * mib,
			[]string{make},
			[]string{"mcopy -i IMAGE FILE ::b.jpg"},
		}, touching{
			kind + ": an entry changed in a folder of a folder", "files were changed on the " + kind + " on the medium", 16 * mib,
			[]string{make, "mmd -i IMAGE ::A", "mmd -i IMAGE ::A/B", "mcopy -i IMAGE FILE ::A/B/b.jpg"},
			[]string{"mattrib -i IMAGE +r ::A/B/b.jpg"},
		})
	}
	return all
}

// TestWritingChangesTheImprintAndReadingDoesNot has other tools write to file systems.
func TestWritingChangesTheImprintAndReadingDoesNot(t *testing.T) {
	for _, c := range touchings() {
		t.Run(c.name, func(t *testing.T) {
			path := newImage(t, c.sizeBytes)
			for _, command := range c.before {
				tool(t, command, path)
			}
			then := imprintFile(t, path)
			for _, command := range c.then {
				tool(t, command, path)
			}
			now := imprintFile(t, path)
			changes := then.Changes(now)
			if c.sentence == "" {
				if then.Digest != now.Digest || len(changes) > 0 {
					t.Errorf("it was only read, and %q", changes)
				}
				return
			}
			told := slices.ContainsFunc(changes, func(s string) bool { return strings.HasPrefix(s, c.sentence) })
			if then.Digest == now.Digest || !told {
				t.Errorf("%q, want %q", changes, c.sentence)
			}
		})
	}
}

// TestChangedTablesChangeTheImprint has sfdisk and sgdisk change a table.
func TestChangedTablesChangeTheImprint(t *testing.T) {
	const mbr = "label: dos\nlabel-id: 0x12345678\n1: start=8192,size=16384,type=c\n2: start=24576,size=8192,type=83\n"
	const gpt = "label: gpt\nlabel-id: 7B0C2A1E-5E5F-4E6B-9B7E-1F0C2D3E4F51\n1: start=8192,size=16384\n2: start=24576,size=8192\n"
	table := "its partition table was changed"
	for _, c := range []struct {
		name, script, input string
		command             []string
		want                []string
	}{
		{"MBR: a partition grown", mbr, "start=24576,size=16384,type=83\n", []string{"sfdisk", "-q", "-N", "2", "IMAGE"}, []string{table, "partition 2 is larger than it was"}},
		{"MBR: a partition cut", mbr, "start=24576,size=4096,type=83\n", []string{"sfdisk", "-q", "-N", "2", "IMAGE"}, []string{table, "partition 2 is smaller than it was"}},
		{"MBR: a partition added", mbr, "start=65536,size=4096\n", []string{"sfdisk", "-q", "-a", "IMAGE"}, []string{table, "partition 3 was added"}},
		{"MBR: a partition deleted", mbr, "", []string{"sfdisk", "-q", "--delete", "IMAGE", "2"}, []string{table, "partition 2 is gone"}},
		{"MBR: another type", mbr, "", []string{"sfdisk", "-q", "--part-type", "IMAGE", "2", "82"}, []string{table}},
		{"MBR: another id", mbr, "", []string{"sfdisk", "-q", "--disk-id", "IMAGE", "0xcafecafe"}, []string{table}},
		{"GPT: another name", gpt, "", []string{"sgdisk", "-c", "2:root", "IMAGE"}, []string{table}},
		{"GPT: another GUID", gpt, "", []string{"sgdisk", "-u", "2:R", "IMAGE"}, []string{table}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := newImage(t, 64*mib)
			run(t, c.script, "sfdisk", "-q", path)
			then := imprintFile(t, path)
			run(t, "", "sfdisk", "-J", path)
			if now := imprintFile(t, path); now.Digest != then.Digest {
				t.Error("reading the table changed it")
			}
			for i := range c.command {
				c.command[i] = strings.ReplaceAll(c.command[i], "IMAGE", path)
			}
			run(t, c.input, c.command...)
			now := imprintFile(t, path)
			if changes := then.Changes(now); now.Digest == then.Digest || !slices.Equal(changes, c.want) {
				t.Errorf("%q, want %q", changes, c.want)
			}
		})
	}
}
