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

// FuzzTables feeds any bytes as the kernel's tables: whatever they say, nothing that was refused becomes a target, and a
// table that was read has a place for /.
func FuzzTables(f *testing.F) {
	f.Add("37 1 259:2 / / rw - ext4 /dev/nvme0n1p2 rw\n", "Filename Type Size Used Priority\n/dev/x\\040y partition 1 0 -2\n")
	f.Add("38 1 0:50 / /a\\134 rw shared:1 - overlay o lowerdir=/a:/b\\,c\n", "Filename\n")
	f.Add("\\", "\\")
	f.Fuzz(func(t *testing.T, mounts, swaps string) {
		base := t.TempDir()
		for path, content := range map[string]string{"proc/self/mountinfo": mounts, "proc/swaps": swaps, "sys/block/none/x": "", "dev/x": ""} {
			if err := os.MkdirAll(filepath.Join(base, filepath.Dir(path)), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(base, path), []byte(content), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		s, err := device.ReadSnapshot(device.Roots{Sys: filepath.Join(base, "sys"), Proc: filepath.Join(base, "proc"), Dev: filepath.Join(base, "dev")})
		if err != nil {
			t.Fatal(err)
		}
		rooted := false
		for _, m := range s.Mounts {
			rooted = rooted || m.Point == "/"
		}
		if s.Mounts != nil && !rooted {
			t.Error("a table without / was taken")
		}
		if j := device.Judge(s, s.DiskByName("none"), device.Policy{FixedOK: true}); j.Allowed {
			t.Error("a disk of which nothing is known became a target")
		}
	})
}
