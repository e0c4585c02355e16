package device_test

import (
	"os"
	"path/filepath"
	"testing"

	"cardwright/internal/device"

	"github.com/google/go-cmp/cmp"
)

// The first line is the example of proc(5) (man-pages 6.03), the others follow its words on optional fields and escapes.
func TestMountTableIsReadAsDocumented(t *testing.T) {
	b := layOut(t, "system")
	b.write(t, "proc/self/mountinfo", `36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
37 1 259:2 / / rw - ext4 /dev/nvme0n1p2 rw
38 1 0:50 / /a\040b\134c\011d rw shared:1 master:2 propagate_from:3 - fuse.x name\043 rw
39 1 0:51 / /empty rw -  `+`tmpfs  rw
`)
	if s := b.snapshot(t); len(s.Unknown) != 1 || s.Mounts != nil {
		t.Fatalf("a line of too many fields was taken: %+v", s.Mounts)
	}
	b.write(t, "proc/self/mountinfo", `36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
37 1 259:2 / / rw - ext4 /dev/nvme0n1p2 rw
38 1 0:50 / /a\040b\134c\011d rw shared:1 master:2 propagate_from:3 - fuse.x name\043 rw
39 1 0:51 / /empty rw - tmpfs  rw
`)
	s := b.snapshot(t)
	type line struct{ number, point, kind, source string }
	var got []line
	for _, m := range s.Mounts {
		got = append(got, line{m.Dev.String(), m.Point, m.Kind, m.Source})
	}
	want := []line{
		{"98:0", "/mnt2", "ext3", "/dev/root"},
		{"259:2", "/", "ext4", "/dev/nvme0n1p2"},
		{"0:50", "/a b\\c\td", "fuse.x", "name#"},
		{"0:51", "/empty", "tmpfs", ""},
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(line{})); diff != "" || len(s.Unknown) != 0 {
		t.Errorf("%s%v", diff, s.Unknown)
	}
}

func TestSnapshotTellsWhereAReaderIs(t *testing.T) {
	s := layOut(t, "usb-reader").snapshot(t)
	b, c := s.DiskByName("sdb"), s.DiskByName("sdc")
	if b.PortPath != "1-2.3" || b.LinkSpeed != "480" || b.Serial != "RD0042" || b.Model != "Invented Card Reader" {
		t.Errorf("%+v", b)
	}
	if b.SizeBytes != 62333952*512 || b.Dev != (device.DevNumber{Major: 8, Minor: 16}) || b.DiskSeq != 20 || len(b.Partitions) != 2 {
		t.Errorf("%+v", b)
	}
	if c.PortPath != "1-2.3:lun1" || c.SizeBytes != 0 {
		t.Errorf("%+v", c)
	}
	m := layOut(t, "mmc-slot").snapshot(t).DiskByName("mmcblk0")
	if m.PortPath != "mmc0" || m.CID != "015041593038414713daa1bff401252e" || m.Serial != "0xdaa1bff4" || m.Model != "Y08AG" {
		t.Errorf("%+v", m)
	}
}

func TestTreeWithoutDisksIsAnError(t *testing.T) {
	b := layOut(t, "system")
	for _, dir := range []string{"sys/block", "sys/class"} {
		if err := os.RemoveAll(filepath.Join(b.base, dir)); err != nil {
			t.Fatal(err)
		}
	}
	if s, err := device.ReadSnapshot(b.roots); err == nil {
		t.Errorf("it gave %+v", s)
	}
}
