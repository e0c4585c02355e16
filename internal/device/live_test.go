//go:build device

// These tests need root, losetup, sfdisk, partx, blockdev (util-linux) and mkfs.ext4 (e2fsprogs). They write to loop devices of their own only.
package device_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unsafe"

	"cardwright/flash"
	"cardwright/internal/device"

	"golang.org/x/sys/unix"
)

const liveBytes = 64 << 20

var fixed = device.Options{Policy: device.Policy{FixedOK: true}}

// run runs a tool, fails where it fails, and gives what it printed.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

// attach makes a loop device over a new file, and detaches it in the end.
func attach(t *testing.T, args ...string) (node, file string) {
	t.Helper()
	file = filepath.Join(t.TempDir(), "live.img")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(file, liveBytes); err != nil {
		t.Fatal(err)
	}
	node = run(t, "losetup", append(append([]string{"--find", "--show"}, args...), file)...)
	t.Cleanup(func() { run(t, "losetup", "--detach", node) })
	return node, file
}

// attachParted makes a loop device with one partition.
func attachParted(t *testing.T) (node, part string) {
	t.Helper()
	node, _ = attach(t, "--partscan")
	table := exec.Command("sfdisk", "--quiet", node)
	table.Stdin = strings.NewReader("label: dos\nstart=2048, size=65536, type=83\n")
	if out, err := table.CombinedOutput(); err != nil {
		t.Fatalf("sfdisk: %v\n%s", err, out)
	}
	// partx tells the kernel of the partition, which works where the kernel itself knows no tables.
	run(t, "partx", "--update", node)
	t.Cleanup(func() { run(t, "partx", "--delete", node) })
	return node, node + "p1"
}

func alignedBuffer(lengthBytes int) []byte {
	b := make([]byte, lengthBytes+flash.AlignBytes)
	skip := int(-uintptr(unsafe.Pointer(unsafe.SliceData(b))) % flash.AlignBytes)
	return b[skip : skip+lengthBytes]
}

func openLive(t *testing.T, path string, o device.Options) *device.Card {
	t.Helper()
	c, err := device.Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func TestLiveDiskIsWrittenDirectlyAndReadFromTheMedium(t *testing.T) {
	node, file := attach(t)
	c := openLive(t, node, fixed)
	if !c.Direct() || c.SizeBytes() != liveBytes || c.SectorBytes() != 512 {
		t.Fatalf("direct %v, %d bytes, sectors of %d", c.Direct(), c.SizeBytes(), c.SectorBytes())
	}
	if err := c.Recheck(); err != nil {
		t.Fatal(err)
	}
	want := alignedBuffer(1 << 20)
	for i := range want {
		want[i] = byte(i * 7)
	}
	if _, err := c.WriteAt(want, liveBytes-int64(len(want))); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Flush(), c.DropCache()); err != nil {
		t.Fatal(err)
	}
	got := alignedBuffer(len(want))
	if _, err := c.ReadAt(got, liveBytes-int64(len(got))); err != nil || !bytes.Equal(got, want) {
		t.Errorf("read back: %v", err)
	}
	if _, err := c.WriteAt(want, liveBytes-512); !errors.Is(err, device.ErrOutside) {
		t.Errorf("write over the end: %v", err)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := io.ReadFull(io.NewSectionReader(f, liveBytes-int64(len(got)), liveBytes), got); err != nil || !bytes.Equal(got, want) {
		t.Errorf("the file below holds something else: %v", err)
	}
}

func TestLiveDiskNeedsPermissionAndIsHeldAlone(t *testing.T) {
	node, file := attach(t)
	mustRefuse(t, node, device.Options{}, device.ErrNotAllowed)
	c := openLive(t, node, fixed)
	mustRefuse(t, node, fixed, device.ErrBusy)
	mustRefuse(t, file, device.Options{}, device.ErrBusy)
	for path, want := range map[string]bool{node: true, file: true, os.Args[0]: false} {
		if got, err := c.Holds(path); err != nil || got != want {
			t.Errorf("holds %s: %v, %v", path, got, err)
		}
	}
	link := filepath.Join(t.TempDir(), "by-id")
	if err := os.Symlink(node, link); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	if d := openLive(t, link, fixed).Description(); d.Node != node || d.Transport != device.TransportLoop || d.Contents != "nothing, as far as its first 1 MiB tells" {
		t.Errorf("%+v", d)
	}
}

func TestLiveMountedDiskIsRefused(t *testing.T) {
	node, _ := attach(t)
	run(t, "mkfs.ext4", "-q", "-L", "LIVE", node)
	point := filepath.Join(t.TempDir(), "a mount")
	if err := os.Mkdir(point, 0o755); err != nil {
		t.Fatal(err)
	}
	c := openLive(t, node, fixed)
	if got := c.Description().Contents; got != "no partition table, ext4 LIVE" {
		t.Errorf("contents: %s", got)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	run(t, "mount", node, point)
	t.Cleanup(func() { run(t, "umount", point) })
	mustRefuse(t, node, fixed, device.ErrNotAllowed)
	readOnly := openLive(t, node, device.Options{ReadOnly: true})
	if d := readOnly.Description(); len(d.MountedAt) != 1 || d.MountedAt[0] != point {
		t.Errorf("mounted at %q", d.MountedAt)
	}
	if held, err := readOnly.Holds(filepath.Join(point, "new")); err != nil || !held {
		t.Errorf("a file on it: %v, %v", held, err)
	}
}

func TestLivePartitionIsRefusedAndItsMountHoldsTheDisk(t *testing.T) {
	node, part := attachParted(t)
	run(t, "mkfs.ext4", "-q", part)
	c := openLive(t, node, fixed)
	if got := c.Description().Contents; got != "MBR, 1 partition: ext4" {
		t.Errorf("contents: %s", got)
	}
	if held, err := c.Holds(part); err != nil || !held {
		t.Errorf("holds its partition: %v, %v", held, err)
	}
	if err := c.RereadTable(); err != nil {
		t.Errorf("RereadTable: %v", err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	run(t, "partx", "--update", node)
	point := t.TempDir()
	run(t, "mount", part, point)
	t.Cleanup(func() { run(t, "umount", point) })
	mustRefuse(t, node, fixed, device.ErrNotAllowed)
}

func TestLiveLoopOverADiskHoldsIt(t *testing.T) {
	node, _ := attach(t)
	upper := run(t, "losetup", "--find", "--show", node)
	t.Cleanup(func() { run(t, "losetup", "--detach", upper) })
	mustRefuse(t, node, fixed, device.ErrNotAllowed)
	c := openLive(t, upper, fixed)
	if err := c.RereadTable(); !errors.Is(err, device.ErrNoTable) {
		t.Errorf("RereadTable without partitions: %v", err)
	}
	if held, err := c.Holds(node); err != nil || !held {
		t.Errorf("holds its ground: %v, %v", held, err)
	}
}

func TestLiveWriteProtectionIsSeen(t *testing.T) {
	node, _ := attach(t)
	run(t, "blockdev", "--setro", node)
	mustRefuse(t, node, fixed, device.ErrNotAllowed)
	run(t, "blockdev", "--setrw", node)
	c := openLive(t, node, fixed)
	run(t, "blockdev", "--setro", node)
	t.Cleanup(func() { run(t, "blockdev", "--setrw", node) })
	if err := c.Recheck(); !errors.Is(err, device.ErrNotAllowed) {
		t.Errorf("Recheck: %v", err)
	}
	if _, err := c.WriteAt(alignedBuffer(4096), 0); !errors.Is(err, flash.ErrReadOnly) {
		t.Errorf("WriteAt: %v", err)
	}
}

func TestLiveRecheckSeesAnotherMedium(t *testing.T) {
	node, file := attach(t)
	c := openLive(t, node, fixed)
	if err := os.Truncate(file, liveBytes/2); err != nil {
		t.Fatal(err)
	}
	run(t, "losetup", "--set-capacity", node)
	if err := c.Recheck(); !errors.Is(err, device.ErrChanged) {
		t.Errorf("after the size changed: %v", err)
	}
}

func TestLiveMediaCountRisesWhenAttachedAnew(t *testing.T) {
	node, file := attach(t)
	count := func() uint64 {
		s, err := device.ReadSnapshot(device.Roots{})
		if err != nil {
			t.Fatal(err)
		}
		d := s.DiskByName(filepath.Base(node))
		if d == nil || d.DiskSeq == 0 {
			t.Fatalf("no media count of %s", node)
		}
		return d.DiskSeq
	}
	before := count()
	run(t, "losetup", "--detach", node)
	run(t, "losetup", node, file)
	if after := count(); after <= before {
		t.Errorf("the count was %d and is %d", before, after)
	}
}

func TestLiveListRefusesTheSystemDisk(t *testing.T) {
	node, _ := attach(t)
	find := func() *device.Listing {
		all, err := device.List(t.Context(), device.Roots{}, time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		for i := range all {
			if all[i].Node == node {
				return &all[i]
			}
			if len(all[i].MountedAt) > 0 && all[i].AllowedWithFixedOK {
				t.Errorf("%s is mounted at %q, yet allowed", all[i].Node, all[i].MountedAt)
			}
		}
		t.Fatalf("%s is not listed", node)
		return nil
	}
	if l := find(); l.Allowed || !l.AllowedWithFixedOK || l.SizeBytes != liveBytes || l.Contents != "nothing, as far as its first 1 MiB tells" {
		t.Errorf("%+v", l)
	}
	s, err := device.ReadSnapshot(device.Roots{})
	if err != nil {
		t.Fatal(err)
	}
	// The disk of / is judged by number here and never opened.
	var st unix.Stat_t
	if err := unix.Stat("/", &st); err != nil {
		t.Fatal(err)
	}
	number := device.DevNumber{Major: unix.Major(uint64(st.Dev)), Minor: unix.Minor(uint64(st.Dev))}
	d := s.DiskByNumber(number)
	if d == nil {
		d, _ = s.PartitionByNumber(number)
	}
	if d == nil {
		t.Fatalf("no disk of number %s", number)
	}
	if j := device.Judge(s, d, device.Policy{FixedOK: true}); j.Allowed {
		t.Errorf("%s is allowed", d.Name)
	}
}
