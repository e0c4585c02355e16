package device_test

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"cardwright/internal/device"
)

// An answer is what may be done with a target.
type answer int

const (
	no          answer = iota // never, whatever the operator permits
	notOpened                 // judged fit as a fixed disk, but the kernel gives it to nobody else
	withFixedOK               // where the operator permits fixed disks
	yes
)

// A situation is one disk of one machine, and the answer that follows from the rule.
type situation struct {
	name    string
	machine string // in the words of testdata/README.md
	disk    string // the kernel's name
	answer  answer
	reason  string // words that one of the reasons must hold; empty for yes
}

// A pathSituation is a path that is opened on such a machine.
type pathSituation struct {
	name    string
	machine string
	path    func(t *testing.T, b *tree) string // lays out what is needed and gives the path
	answer  answer
	reason  string
}

// fewestSituations keeps the matrix from shrinking unseen.
const fewestSituations = 165

// TestTargetsThatMustNeverBeWritten goes through all situations, each without and with permission for fixed disks. The
// machines are written after the kernel's documents (Documentation/ABI/stable/sysfs-block, Documentation/ABI/testing/
// sysfs-class-bdi and sysfs-block-loop, Documentation/filesystems/proc.rst, proc(5)); what stands in the way of a disk is
// common practice.
func TestTargetsThatMustNeverBeWritten(t *testing.T) {
	disks, paths, seen := append(diskSituations(), attributeSituations()...), pathSituations(), map[string]bool{}
	for _, s := range disks {
		seen[s.name] = true
		t.Run(s.name, func(t *testing.T) {
			snapshot := layOutLines(t, s.machine).snapshot(t)
			d := snapshot.DiskByName(s.disk)
			if d == nil {
				t.Fatalf("%s is not listed", s.disk)
			}
			for _, fixedOK := range []bool{false, true} {
				j := device.Judge(snapshot, d, device.Policy{FixedOK: fixedOK})
				if j.Allowed != (len(j.Reasons) == 0) {
					t.Errorf("allowed is %v for the reasons %q", j.Allowed, j.Reasons)
				}
				s.answer.expect(t, fixedOK, j.Reasons, s.reason)
			}
		})
	}
	for _, s := range paths {
		seen[s.name] = true
		t.Run(s.name, func(t *testing.T) {
			b := layOutLines(t, s.machine)
			expectOpens(t, s.path(t, b), b.roots, s.answer, s.reason)
		})
	}
	t.Logf("targets: %d situations", len(seen))
	if len(seen) != len(disks)+len(paths) || len(seen) < fewestSituations {
		t.Errorf("%d names of %d situations; there were at least %d", len(seen), len(disks)+len(paths), fewestSituations)
	}
}

// expect holds the reasons against the answer.
func (a answer) expect(t *testing.T, fixedOK bool, reasons []string, want string) {
	t.Helper()
	if a == yes || a == withFixedOK && fixedOK {
		if len(reasons) > 0 {
			t.Errorf("with fixed disks allowed %v it is refused: %q", fixedOK, reasons)
		}
		return
	}
	if a == notOpened && !fixedOK {
		want = "fixed disk"
	}
	if want == "" || !strings.Contains(strings.Join(reasons, "\n"), want) {
		t.Errorf("with fixed disks allowed %v the reasons are %q, and none says %q", fixedOK, reasons, want)
	}
}

// expectOpens opens a path for writing, without and with permission for fixed disks, and holds the outcome against the
// answer.
func expectOpens(t *testing.T, path string, roots device.Roots, a answer, want string) {
	t.Helper()
	before := standsAt(path)
	for _, fixedOK := range []bool{false, true} {
		o := device.Options{Policy: device.Policy{FixedOK: fixedOK}, Roots: roots}
		c, err := device.Open(t.Context(), path, o)
		var r *device.Refusal
		switch {
		case err == nil:
			a.expect(t, fixedOK, nil, want)
			if err := errors.Join(c.Recheck(), c.Close()); err != nil {
				t.Errorf("it was opened, and then: %v", err)
			}
		case errors.As(err, &r) && anyOf(err, device.ErrNotADisk, device.ErrNotAllowed, device.ErrBusy, device.ErrChanged):
			a.expect(t, fixedOK, r.Reasons, want)
		default:
			t.Errorf("%v (%T) is no refusal of a known kind", err, err)
		}
	}
	if after := standsAt(path); after != before {
		t.Errorf("%s was %q and is %q", path, before, after)
	}
}

func anyOf(err error, sentinels ...error) bool {
	return slices.ContainsFunc(sentinels, func(s error) bool { return errors.Is(err, s) })
}

// standsAt tells what is at a path, without following a last link.
func standsAt(path string) string {
	info, err := os.Lstat(path)
	if err != nil {
		return "nothing"
	}
	return fmt.Sprint(info.Mode(), info.Size(), info.ModTime())
}

// pathSituations are those that no disk has a part in. They are opened in truth, on an invented machine.
func pathSituations() []pathSituation {
	const (
		pc       = "include system"
		withLoop = pc + "\ndisk loop0 7:0 virtual/block/loop0 size=8"
	)
	beside := func(name string, lay func(path string) error) func(*testing.T, *tree) string {
		return func(t *testing.T, _ *tree) string {
			t.Helper()
			path := filepath.Join(t.TempDir(), name)
			if err := lay(path); err != nil {
				t.Fatal(err)
			}
			return path
		}
	}
	file := func(t *testing.T, _ *tree) string { t.Helper(); return cardFile(t, 4096) }
	always := func(path string) func(*testing.T, *tree) string {
		return func(*testing.T, *tree) string { return path }
	}
	return []pathSituation{
		{"a regular file", pc, file, yes, ""},
		{"a file of one byte", pc, func(t *testing.T, _ *tree) string { return cardFile(t, 1) }, yes, ""},
		{"a sparse file", pc, beside("sparse", func(path string) error {
			return errors.Join(os.WriteFile(path, nil, 0o600), os.Truncate(path, 1<<30))
		}), yes, ""},
		{"a link to a file", pc, func(t *testing.T, b *tree) string {
			b.symlink(t, "link", cardFile(t, 4096))
			return filepath.Join(b.base, "link")
		}, yes, ""},
		{"an empty file", pc, func(t *testing.T, _ *tree) string { return cardFile(t, 0) }, no, "empty"},
		{"a file with two names", pc, beside("twice", func(path string) error {
			return errors.Join(os.WriteFile(path, []byte("x"), 0o600), os.Link(path, path+".too"))
		}), no, "more than one name"},
		{"a file that another holds locked", pc, func(t *testing.T, b *tree) string {
			path := cardFile(t, 4096)
			openFile(t, path, device.Options{Roots: b.roots})
			return path
		}, no, "locked"},
		{"the running program", pc, always("/proc/self/exe"), no, "program that is running"},
		{"a path where nothing stands", pc, beside("missing", func(string) error { return nil }), no, "cannot be found"},
		{"a dangling link", pc, beside("dangling", func(path string) error {
			return os.Symlink(path+".missing", path)
		}), no, "cannot be found"},
		{"a link to itself", pc, beside("round", func(path string) error { return os.Symlink(path, path) }), no, "cannot be found"},
		{"a folder", pc, func(_ *testing.T, b *tree) string { return b.base }, no, "directory"},
		{"a FIFO", pc, beside("fifo", func(path string) error { return syscall.Mkfifo(path, 0o600) }), no, "FIFO"},
		{"a socket", pc, func(t *testing.T, _ *tree) string {
			t.Chdir(t.TempDir()) // the name of a socket may not be long
			l, err := net.Listen("unix", "socket")
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = l.Close() })
			return "socket"
		}, no, "socket"},
		{"/dev/null", pc, always("/dev/null"), no, "character device"},
		{"/dev/zero", pc, always("/dev/zero"), no, "character device"},
		{"a file of the kernel's own", pc, always("/proc/self/oom_score_adj"), no, "empty"},
		{"a swap file", pc, func(t *testing.T, b *tree) string {
			path := cardFile(t, 4096)
			b.write(t, "proc/swaps", "Filename Type Size Used Priority\n"+path+" file 4 0 -2\n")
			return path
		}, no, "swap"},
		{"a file that a loop device stands on", withLoop, func(t *testing.T, b *tree) string {
			path := cardFile(t, 4096)
			b.write(t, filepath.Join(b.folders["loop0"], "loop", "backing_file"), path+"\n")
			return path
		}, no, "attached to loop0"},
		{
			"a file beside a loop device over another",
			withLoop + "\nattr loop/backing_file /srv/invented.img", file, yes, "",
		},
		{"a file beside a loop device over nobody knows what", withLoop, file, no, "loop0 stands on"},
		{"a file, and no swap table", pc + "\nabsent proc/swaps", file, no, "swap table"},
		{"a file, and no mount table", pc + "\nabsent proc/self/mountinfo", file, yes, ""}, // nothing mounted stands on a plain file
		{"a file on a machine without disks", "file sys/devices/system/cpu/online 0", file, yes, ""},
		{"a file, and no device tree", "", file, no, "mount sysfs"},
		{"a file, and an empty folder for a device tree", "", func(t *testing.T, b *tree) string {
			b.folder(t, "sys")
			return cardFile(t, 4096)
		}, no, "mount sysfs"},
	}
}
