//go:build oracle

// Live tests against util-linux, gdisk and the mkfs tool of every kind. A tool that is missing is a failure.
package partition_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// run gives a tool's standard output.
func run(t *testing.T, stdin string, command ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), command[0], command[1:]...)
	cmd.Stdin = strings.NewReader(stdin)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "MTOOLS_SKIP_CHECK=1")
	var out, complaint bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v: %v: %s", command, err, complaint.String())
	}
	return out.String()
}

func newImage(t *testing.T, sizeBytes int64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, sizeBytes); err != nil {
		t.Fatal(err)
	}
	return path
}

func inspectFile(t *testing.T, path string, sectorBytes int64) *partition.Table {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		t.Fatal(err)
	}
	table, err := partition.Inspect(file, info.Size(), sectorBytes)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// blkidFileSystem is what `blkid -p` of util-linux says. A label that only FAT's boot sector has, it calls LABEL_FATBOOT.
func blkidFileSystem(t *testing.T, path string) partition.FileSystem {
	t.Helper()
	value := func(tag string) string {
		return strings.TrimRight(run(t, "", "blkid", "-p", "-o", "value", "-s", tag, path), "\n")
	}
	label := value("LABEL")
	if label == "" {
		label = value("LABEL_FATBOOT")
	}
	return partition.FileSystem{Kind: kindOf(value("TYPE"), value("VERSION")), Label: label, UUID: value("UUID")}
}

// A making is one way to make a file system; IMAGE and TREE stand for paths.
type making struct {
	name, kind string
	sizeBytes  int64
	commands   []string
}

const luksCommand = "cryptsetup luksFormat -q --pbkdf-force-iterations 1000 --pbkdf pbkdf2"

func makings() []making {
	return []making{
		{"fat12", "fat12", 2 * mib, []string{"mkfs.fat -F 12 -n BOOT IMAGE"}},
		{"fat12-lower", "fat12", 2 * mib, []string{"mkfs.fat -F 12 -n boot IMAGE"}},
		{"fat16-bare", "fat16", 16 * mib, []string{"mkfs.fat -F 16 IMAGE"}},
		{"fat16-root-label", "fat16", 16 * mib, []string{"mkfs.fat -F 16 -n FIRST IMAGE", "mlabel -i IMAGE ::SECOND"}},
		{"fat16-4096", "fat16", 64 * mib, []string{"mkfs.fat -F 16 -S 4096 -n LARGE IMAGE"}},
		{"fat32", "fat32", 64 * mib, []string{"mkfs.fat -F 32 -n BOOT IMAGE"}},
		{"fat32-small", "fat32", 2 * mib, []string{"mkfs.fat -F 32 -s 1 IMAGE"}},
		{"fat32-zero-serial", "fat32", 64 * mib, []string{"mkfs.fat -F 32 -i 00000000 IMAGE"}},
		{"fat32-label-added", "fat32", 64 * mib, []string{"mkfs.fat -F 32 IMAGE", "mcopy -i IMAGE TREE/file ::", "mlabel -i IMAGE ::later"}},
		{"exfat", "exfat", 16 * mib, []string{"mkfs.exfat -L Grüße€ IMAGE"}},
		{"exfat-bare", "exfat", 16 * mib, []string{"mkfs.exfat IMAGE"}},
		{"exfat-emoji", "exfat", 16 * mib, []string{"mkfs.exfat -L k🙂rte IMAGE"}},
		{"exfat-clusters", "exfat", 64 * mib, []string{"mkfs.exfat -c 64K -L lower IMAGE"}},
		{"ntfs", "ntfs", 8 * mib, []string{"mkfs.ntfs -q -F -Q -L Nüt€🙂 IMAGE"}},
		{"ntfs-bare", "ntfs", 8 * mib, []string{"mkfs.ntfs -q -F -Q IMAGE"}},
		{"ntfs-clusters", "ntfs", 64 * mib, []string{"mkfs.ntfs -q -F -Q -c 65536 -L large IMAGE"}},
		{"ext2", "ext2", 8 * mib, []string{"mkfs.ext2 -q -L small IMAGE"}},
		{"ext3", "ext3", 8 * mib, []string{"mkfs.ext3 -q IMAGE"}},
		{"ext4", "ext4", 8 * mib, []string{"mkfs.ext4 -q -L wörter IMAGE"}},
		{"ext4-4k", "ext4", 64 * mib, []string{"mkfs.ext4 -q -b 4096 -O ^has_journal IMAGE"}},
		{"ext4-32bit", "ext4", 64 * mib, []string{"mkfs.ext4 -q -O ^64bit,^metadata_csum IMAGE"}},
		{"f2fs", "f2fs", 64 * mib, []string{"mkfs.f2fs -q -l Lä🙂 IMAGE"}},
		{"f2fs-bare", "f2fs", 64 * mib, []string{"mkfs.f2fs -q IMAGE"}},
		{"xfs", "xfs", 300 * mib, []string{"mkfs.xfs -q -L twelveletter IMAGE"}},
		{"xfs-bare", "xfs", 300 * mib, []string{"mkfs.xfs -q -b size=1024 IMAGE"}},
		{"btrfs", "btrfs", 120 * mib, []string{"mkfs.btrfs -q -L lÄbel IMAGE"}},
		{"btrfs-bare", "btrfs", 120 * mib, []string{"mkfs.btrfs -q IMAGE"}},
		{"swap", "swap", 2 * mib, []string{"mkswap -q -L swäp IMAGE"}},
		{"swap-64k", "swap", 4 * mib, []string{"mkswap -q -p 65536 IMAGE"}},
		{"squashfs", "squashfs", 0, []string{"mksquashfs TREE IMAGE -quiet -no-progress -noappend -comp xz"}},
		{"erofs", "erofs", 0, []string{"mkfs.erofs IMAGE TREE"}},
		{"iso", "iso9660", 0, []string{"genisoimage -quiet -V Plain -o IMAGE TREE"}},
		{"iso-joliet", "iso9660", 0, []string{"genisoimage -quiet -input-charset utf-8 -V Grüße -J -R -o IMAGE TREE"}},
		{"iso-long", "iso9660", 0, []string{"genisoimage -quiet -V A_LABEL_LONGER_THAN_SIXTEEN -J -o IMAGE TREE"}},
		{"luks1", "luks1", 4 * mib, []string{luksCommand + " --type luks1 IMAGE -"}},
		{"luks2", "luks2", 20 * mib, []string{luksCommand + " --type luks2 --label lÄb IMAGE -"}},
		{"luks2-bare", "luks2", 20 * mib, []string{luksCommand + " --type luks2 IMAGE -"}},
	}
}

func (m making) make(t *testing.T) string {
	t.Helper()
	path := newImage(t, m.sizeBytes)
	tree := t.TempDir()
	if err := os.WriteFile(filepath.Join(tree, "file"), []byte("hello\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, command := range m.commands {
		words := strings.Fields(command)
		for i := range words {
			words[i] = strings.NewReplacer("IMAGE", path, "TREE", tree).Replace(words[i])
		}
		run(t, "key", words...)
	}
	return path
}

func TestMadeFileSystemsReadAsBlkidReadsThem(t *testing.T) {
	for _, m := range makings() {
		t.Run(m.name, func(t *testing.T) {
			path := m.make(t)
			table := inspectFile(t, path, 512)
			if table.Kind != partition.SchemeNone || table.FileSystem == nil {
				t.Fatalf("%+v", table)
			}
			got := *table.FileSystem
			info, err := os.Stat(path)
			if err != nil {
				t.Fatal(err)
			}
			checkSize(t, path, got, info.Size())
			got.SizeBytes = 0
			want := blkidFileSystem(t, path)
			if diff := cmp.Diff(want, got); diff != "" || want.Kind != m.kind {
				t.Errorf("%s: %s", m.kind, diff)
			}
		})
	}
}

// field gives the number behind a name in a tool's listing.
func field(t *testing.T, listing, name string) int64 {
	t.Helper()
	_, rest, _ := strings.Cut(listing, name)
	words := strings.FieldsFunc(rest, func(r rune) bool { return r < '0' || r > '9' })
	if len(words) == 0 {
		t.Fatalf("no %q in %s", name, listing)
	}
	value, err := strconv.ParseInt(words[0], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return value
}

// checkSize asks each kind's own tool where it has one; a file system without such a tool fills its file, but for a rest
// that is no whole block of it.
func checkSize(t *testing.T, path string, got partition.FileSystem, fileBytes int64) {
	t.Helper()
	want, slack := fileBytes, int64(0)
	switch got.Kind {
	case "luks1", "luks2":
		want = 0
	case "ext2", "ext3", "ext4":
		listing := run(t, "", "dumpe2fs", "-h", path)
		want = field(t, listing, "Block count:") * field(t, listing, "Block size:")
	case "squashfs":
		want = field(t, run(t, "", "unsquashfs", "-s", path), "Filesystem size")
	case "btrfs":
		want = field(t, run(t, "", "btrfs", "inspect-internal", "dump-super", path), "\ntotal_bytes")
	case "xfs":
		listing := run(t, "", "xfs_db", "-r", "-c", "sb 0", "-c", "p dblocks blocksize", path)
		want = field(t, listing, "dblocks =") * field(t, listing, "blocksize =")
	case "iso9660":
		listing := run(t, "", "isoinfo", "-d", "-i", path)
		want = field(t, listing, "Volume size is:") * field(t, listing, "Logical block size is:")
	case "ntfs":
		slack = 65536 // the boot sector's backup, and whole clusters
	case "fat12", "fat16", "fat32":
		slack = 65536 // whole tracks
	}
	if got.SizeBytes > want || got.SizeBytes < want-slack {
		t.Errorf("%s: %d bytes, want %d", got.Kind, got.SizeBytes, want)
	}
}

func TestMadeTablesReadAsSfdiskReadsThem(t *testing.T) {
	scripts := map[string]string{
		"empty":    "label: dos\n",
		"primary":  "label: dos\n,8M,c,*\n,8M,83\n,4M,82\n,,7\n",
		"extended": "label: dos\n,8M,c\n,,5\n,2M,83\n,2M,83\n,2M,82\n,2M,b\n,2M,83\n",
		"gap":      "label: dos\n3: start=4096,size=2048,type=da\n",
		"guid":     "label: gpt\n,8M,U,*\n,8M,L\n,4M,S\n",
		"names":    "label: gpt\n2: size=8M, name=\"Grüße 🙂\"\n7: size=4M, name=\"a name of thirty-six letters and more\"\n",
	}
	for name, script := range scripts {
		t.Run(name, func(t *testing.T) {
			path := newImage(t, 64*mib)
			run(t, script, "sfdisk", "-q", path)
			matchSfdisk(t, []byte(run(t, "", "sfdisk", "-J", path)), inspectFile(t, path, 512))
		})
	}
}

func TestMadeTablesReadAsSgdiskReadsThem(t *testing.T) {
	path := newImage(t, 64*mib)
	run(t, "", "sgdisk", "-a", "1", "-n", "1:34:2047", "-c", "1:first usable", "-n", "4:8192:+8M", "-t", "4:ef00", "-c", "4:Grüße", "-n", "128:0:0", path)
	matchSgdisk(t, run(t, "", "sgdisk", "-p", path), inspectFile(t, path, 512))
	run(t, "", "sgdisk", "-v", path)
}

// A hybrid MBR as sgdisk makes it.
func TestMadeHybridIsRecognised(t *testing.T) {
	path := newImage(t, 64*mib)
	run(t, "", "sgdisk", "-n", "1:8192:+8M", "-n", "2:32768:+8M", path)
	run(t, "", "sgdisk", "-h", "1:2", path)
	table := inspectFile(t, path, 512)
	if table.Kind != partition.SchemeHybrid || len(table.Partitions) != 2 {
		t.Errorf("%+v", table)
	}
	for _, f := range table.Findings {
		if f.Severity != partition.Information {
			t.Errorf("%+v", f)
		}
	}
}

// Random scripts, some of which sfdisk refuses: whatever it then reads, this package reads.
func TestRandomTablesReadAsSfdiskReadsThem(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	for range 40 {
		path := newImage(t, 64*mib)
		script := fmt.Sprintf("label: dos\nlabel-id: 0x%08x\n", random.Uint32())
		for number := range 3 {
			script += fmt.Sprintf("%d: start=%d, size=%d, type=%x\n", number+1, 2048*(1+4*number), 1+random.IntN(8000), 0x80+random.IntN(4)*3)
		}
		script += "4: start=32768, size=90000, type=f\n"
		start := 32770
		for number := range random.IntN(30) {
			size := 1 + random.IntN(1000)
			script += fmt.Sprintf("%d: start=%d, size=%d, type=83\n", number+5, start, size)
			start += size + 2 + random.IntN(1000)
		}
		run(t, script, "sfdisk", "-q", path)
		matchSfdisk(t, []byte(run(t, "", "sfdisk", "-J", path)), inspectFile(t, path, 512))
	}
}
