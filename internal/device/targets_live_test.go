//go:build device

package device_test

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"cardwright/internal/device"

	"golang.org/x/sys/unix"
)

// A liveSituation is laid out on loop devices of the test's own.
type liveSituation struct {
	name   string
	path   func(t *testing.T) string // lays it out and gives the target's path
	answer answer
	reason string
}

// fewestLiveSituations keeps the matrix from shrinking unseen.
const fewestLiveSituations = 50

// TestLiveTargetsThatMustNeverBeWritten is the half of the matrix that only a kernel can answer. It needs unshare, mount,
// swapon and mkswap (util-linux) and mkfs.btrfs (btrfs-progs) beside the tools of the other live tests.
func TestLiveTargetsThatMustNeverBeWritten(t *testing.T) {
	opened, changed := liveSituations(), changes()
	seen := map[string]bool{}
	for _, s := range opened {
		seen[s.name] = true
		t.Run(s.name, func(t *testing.T) { expectOpens(t, s.path(t), device.Roots{}, s.answer, s.reason) })
	}
	for _, s := range mistold() {
		seen[s.name] = true
		t.Run(s.name, func(t *testing.T) {
			told := tellOf(t, s.attributes)
			expectOpens(t, told.node, told.roots, s.answer, s.reason)
		})
	}
	for _, s := range changed {
		seen[s.name] = true
		t.Run(s.name, func(t *testing.T) { s.expect(t) })
	}
	t.Logf("targets: %d live situations", len(seen))
	if len(seen) != len(opened)+len(mistold())+len(changed) || len(seen) < fewestLiveSituations {
		t.Errorf("a name is there twice, or situations are missing: there were at least %d", fewestLiveSituations)
	}
}

func liveSituations() []liveSituation {
	idle := func(t *testing.T) string { t.Helper(); node, _ := attach(t); return node }
	partition := func(t *testing.T) string { t.Helper(); _, part := attachParted(t); return part }
	disk := func(use func(t *testing.T, node string)) func(*testing.T) string {
		return func(t *testing.T) string { t.Helper(); node := idle(t); use(t, node); return node }
	}
	parted := func(use func(t *testing.T, part string)) func(*testing.T) string {
		return func(t *testing.T) string { t.Helper(); node, part := attachParted(t); use(t, part); return node }
	}
	const fixedDisk = "fixed disk (loop)"
	return []liveSituation{
		// Nodes, and what leads to them.
		{"a loop device over a file", idle, withFixedOK, fixedDisk},
		{"a link to a disk", func(t *testing.T) string { return linkTo(t, idle(t)) }, withFixedOK, fixedDisk},
		{"a link to a link", func(t *testing.T) string { return linkTo(t, linkTo(t, idle(t))) }, withFixedOK, fixedDisk},
		{"a second node of a disk", func(t *testing.T) string {
			return makeNode(t, unix.S_IFBLK, numberOf(t, idle(t)))
		}, withFixedOK, fixedDisk},
		{"a character device of a disk's number", func(t *testing.T) string {
			return makeNode(t, unix.S_IFCHR, numberOf(t, idle(t)))
		}, no, "character device"},
		{"a node that no disk has the number of", func(t *testing.T) string {
			return makeNode(t, unix.S_IFBLK, device.DevNumber{Major: 7, Minor: 1<<20 - 1})
		}, no, "lists no whole disk"},
		{"a link to a node that is gone", func(t *testing.T) string { return linkTo(t, "/dev/invented") }, no, "cannot be found"},
		{"a partition", partition, no, "it is partition 1"},
		{"a link to a partition", func(t *testing.T) string { return linkTo(t, partition(t)) }, no, "it is partition 1"},
		{"a disk with an idle partition", parted(func(*testing.T, string) {}), withFixedOK, fixedDisk},
		{"a loop device over nothing", emptyLoop, no, "nothing is attached"},
		{"a write-protected disk", disk(protect), no, "write-protected"},
		{"a disk attached for reading", func(t *testing.T) string {
			node, _ := attach(t, "--read-only")
			return node
		}, no, "write-protected"},

		// Mounted.
		{"a mounted disk", disk(func(t *testing.T, node string) { mount(t, node) }), no, "is mounted at"},
		{"a disk mounted for reading", disk(func(t *testing.T, node string) { mount(t, node, "-o", "ro") }), no, "is mounted at"},
		{"a mounted partition", parted(func(t *testing.T, part string) { mount(t, part) }), no, "partition 1 is mounted at"},
		{"a disk mounted in another namespace", disk(mountElsewhere), notOpened, "it is in use"},
		{"a partition mounted in another namespace", parted(mountElsewhere), notOpened, "it is in use"},
		{"a disk unmounted while a file on it is open", disk(func(t *testing.T, node string) {
			point := mount(t, node)
			open, err := os.Open(point)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = open.Close() })
			run(t, "umount", "--lazy", point)
		}), notOpened, "it is in use"},
		{"the second disk of a mounted btrfs", disk(func(t *testing.T, node string) {
			first := idle(t)
			run(t, "mkfs.btrfs", "-q", "--mixed", "-m", "single", "-d", "single", first, node)
			mountMade(t, first)
		}), no, "belongs to a btrfs"},

		// Swapped to.
		{"swap on a disk", disk(swapOn), no, "the disk is in use as swap"},
		{"swap on a partition", parted(swapOn), no, "partition 1 is in use as swap"},
		{"a disk with a swap file", disk(func(t *testing.T, node string) { swapFile(t, mount(t, node)) }), no, "is mounted at"},
		{"a swap file", func(t *testing.T) string { return swapFile(t, mount(t, idle(t))) }, no, "swap"},

		// Held by others.
		{"a disk that another opened alone", disk(openAlone), notOpened, "it is in use"},
		{"a partition that another opened alone", parted(openAlone), notOpened, "it is in use"},
		{"a disk below a loop device", disk(func(t *testing.T, node string) { attachTo(t, node) }), no, "the disk is held by loop"},
		{"a partition below a loop device", parted(func(t *testing.T, part string) { attachTo(t, part) }), no, "1 is held by loop"},
		{"a loop device over a mounted disk", func(t *testing.T) string {
			node := idle(t)
			mount(t, node)
			return attachTo(t, node)
		}, no, "is mounted at"},

		// Regular files.
		{"a file on a mounted card", func(t *testing.T) string { return fileOn(t, mount(t, idle(t))) }, yes, ""},
		{"a file below a loop device", func(t *testing.T) string { _, file := attach(t); return file }, no, "attached to loop"},
		{"a file below a loop device, under another name", func(t *testing.T) string {
			_, file := attach(t)
			if err := os.Link(file, file+".other"); err != nil {
				t.Fatal(err)
			}
			if err := os.Remove(file); err != nil {
				t.Fatal(err)
			}
			return file + ".other"
		}, no, "attached to loop"},
	}
}

func linkTo(t *testing.T, path string) string {
	t.Helper()
	link := filepath.Join(t.TempDir(), "by-id")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	return link
}

func numberOf(t *testing.T, node string) device.DevNumber {
	t.Helper()
	var st unix.Stat_t
	if err := unix.Stat(node, &st); err != nil {
		t.Fatal(err)
	}
	return device.DevNumber{Major: unix.Major(st.Rdev), Minor: unix.Minor(st.Rdev)}
}

func makeNode(t *testing.T, kind uint32, number device.DevNumber) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sdb")
	if err := unix.Mknod(path, kind|0o600, int(unix.Mkdev(number.Major, number.Minor))); err != nil {
		t.Fatal(err)
	}
	return path
}

// emptyLoop adds a loop device of a number that nobody is given by chance.
func emptyLoop(t *testing.T) string {
	t.Helper()
	control, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	number := 5000 + os.Getpid()%1000
	if err := unix.IoctlSetInt(int(control.Fd()), unix.LOOP_CTL_ADD, number); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.IoctlSetInt(int(control.Fd()), unix.LOOP_CTL_REMOVE, number); err != nil {
			t.Error(err)
		}
		_ = control.Close()
	})
	return makeNode(t, unix.S_IFBLK, device.DevNumber{Major: 7, Minor: uint32(number)})
}

// mount makes a file system on a device and mounts it.
func mount(t *testing.T, node string, options ...string) (point string) {
	t.Helper()
	run(t, "mkfs.ext4", "-q", node)
	return mountMade(t, node, options...)
}

func mountMade(t *testing.T, node string, options ...string) (point string) {
	t.Helper()
	point = t.TempDir()
	run(t, "mount", append(options, node, point)...)
	t.Cleanup(func() { _ = unix.Unmount(point, 0) }) // one that is unmounted by then fails here, and harms nobody
	return point
}

// mountElsewhere mounts a device where only another process sees it.
func mountElsewhere(t *testing.T, node string) {
	t.Helper()
	run(t, "mkfs.ext4", "-q", node)
	other := exec.Command("unshare", "--mount", "--propagation", "private",
		"sh", "-c", `mount "$1" "$2" && echo mounted && read end`, "sh", node, t.TempDir())
	end, err := other.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	says, err := other.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = end.Close()
		_ = other.Wait() // its read ends with the pipe, which it calls a failure
	})
	if line, err := bufio.NewReader(says).ReadString('\n'); line != "mounted\n" {
		t.Fatalf("the other process says %q: %v", line, err)
	}
}

// protect sets a node write-protected. The loop device would stay so for whoever is given it next.
func protect(t *testing.T, node string) {
	t.Helper()
	run(t, "blockdev", "--setro", node)
	t.Cleanup(func() { run(t, "blockdev", "--setrw", node) })
}

func swapOn(t *testing.T, path string) {
	t.Helper()
	run(t, "mkswap", path)
	run(t, "swapon", path)
	t.Cleanup(func() { run(t, "swapoff", path) })
}

func swapFile(t *testing.T, point string) string {
	t.Helper()
	path := fileOn(t, point)
	swapOn(t, path)
	return path
}

// fileOn makes a file without holes.
func fileOn(t *testing.T, point string) string {
	t.Helper()
	path := filepath.Join(point, "file")
	if err := os.WriteFile(path, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func openAlone(t *testing.T, node string) {
	t.Helper()
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_EXCL|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Close(fd) })
}

// attachTo makes a loop device over a device.
func attachTo(t *testing.T, node string) string {
	t.Helper()
	upper := run(t, "losetup", "--find", "--show", node)
	t.Cleanup(func() { run(t, "losetup", "--detach", upper) })
	return upper
}

// A told is a loop device that an invented device tree calls a card in a USB reader.
type told struct {
	*tree
	node string
}

// tellOf attaches a disk and lays out its tree, with the kernel's own values but for these attributes.
func tellOf(t *testing.T, attributes string) told {
	t.Helper()
	node, _ := attach(t)
	s, err := device.ReadSnapshot(device.Roots{})
	if err != nil {
		t.Fatal(err)
	}
	number := numberOf(t, node)
	d := s.DiskByNumber(number)
	if d == nil || d.DiskSeq == 0 {
		t.Fatalf("the kernel tells too little of %s: %+v", node, d)
	}
	return told{layOutLines(t, fmt.Sprintf(`include system
disk sdb %s pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/host6/target6:0:0/6:0:0:0/block/sdb size=%d removable=1 diskseq=%d
attr device/serial SN0001
%s`, number, d.SizeBytes/512, d.DiskSeq, attributes)), node}
}
