package device

// This file is inside the package: the parsers take text that no file system could hold fast enough for fuzzing, and the
// errors below come from hardware that is pulled, which no test can do.

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"cardwright/flash"

	"golang.org/x/sys/unix"
)

// What each errno means for a block device is common practice; errno(3) gives the names.
func TestErrnosAreSortedAndKept(t *testing.T) {
	for errno, want := range map[unix.Errno]error{
		unix.ENXIO: flash.ErrGone, unix.ENODEV: flash.ErrGone, unix.ENOMEDIUM: flash.ErrGone, unix.ESHUTDOWN: flash.ErrGone,
		unix.EROFS: flash.ErrReadOnly, unix.EACCES: flash.ErrReadOnly, unix.EPERM: flash.ErrReadOnly,
		unix.EIO: nil, unix.EBADMSG: nil, unix.EINVAL: nil,
	} {
		err := classify(&fs.PathError{Op: "write", Path: "/dev/x", Err: errno}, true)
		if !errors.Is(err, errno) {
			t.Errorf("%v lost its cause: %v", errno, err)
		}
		for _, sentinel := range []error{flash.ErrGone, flash.ErrReadOnly} {
			if errors.Is(err, sentinel) != (sentinel == want) {
				t.Errorf("%v is %v", errno, err)
			}
		}
	}
	if err := classify(unix.EACCES, false); errors.Is(err, flash.ErrReadOnly) {
		t.Errorf("a read without permission says %v", err)
	}
}

// escape does what proc(5) and the kernel's filesystem documents say of mount points: space, tab, newline and backslash
// as octal.
func escape(s string) string {
	return strings.NewReplacer(" ", `\040`, "\t", `\011`, "\n", `\012`, `\`, `\134`).Replace(s)
}

func FuzzMountPointsComeBackAsTheyWere(f *testing.F) {
	f.Add("/media/x/my card", "/dev/sdb1")
	f.Add("/a\\b\tc\n", "")
	f.Add("/", "name - with dash")
	f.Fuzz(func(t *testing.T, point, source string) {
		if !strings.HasPrefix(point, "/") {
			point = "/" + point
		}
		table := "1 0 8:1 / / rw - ext4 /dev/sda1 rw\n" + fmt.Sprintf("2 1 0:50 / %s rw shared:1 - btrfs %s rw\n", escape(point), escape(source))
		mounts, err := parseMounts(table)
		if err != nil || len(mounts) != 2 || mounts[1].Point != point || mounts[1].Source != source {
			t.Errorf("%q became %+v, %v", table, mounts, err)
		}
	})
}

// FuzzTables feeds any bytes as the kernel's tables: no panic, no result beside an error, and never a table without /.
func FuzzTables(f *testing.F) {
	f.Add("37 1 259:2 / / rw - ext4 /dev/nvme0n1p2 rw\n")
	f.Add("38 1 0:50 / /a\\134 rw shared:1 - overlay o lowerdir=/a:/b\\,c\n")
	f.Add("Filename Type Size Used Priority\n/dev/x\\040y partition 1 0 -2\n")
	f.Add("\\")
	f.Fuzz(func(t *testing.T, table string) {
		mounts, err := parseMounts(table)
		rooted := false
		for _, m := range mounts {
			rooted = rooted || m.Point == "/"
		}
		if (err == nil) != rooted || (err != nil && mounts != nil) {
			t.Errorf("%d mounts, %v", len(mounts), err)
		}
		if swaps, err := parseSwaps(table); err != nil && swaps != nil {
			t.Errorf("%d swap areas beside %v", len(swaps), err)
		}
	})
}
