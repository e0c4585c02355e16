package device_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"cardwright/internal/device"

	"github.com/google/go-cmp/cmp"
)

// The verdicts stand in the trees themselves; they follow from the rule, not from a run of the code.
func TestJudgeGivesEveryReasonOfEachTree(t *testing.T) {
	for _, name := range treeNames(t) {
		t.Run(name, func(t *testing.T) {
			b := layOut(t, name)
			if len(b.verdicts) == 0 && name != "system" {
				t.Fatal("the tree says nothing of any disk")
			}
			s := b.snapshot(t)
			for _, v := range b.verdicts {
				d := s.DiskByName(v.disk)
				if d == nil {
					t.Fatalf("%s is not listed", v.disk)
				}
				j := device.Judge(s, d, device.Policy{FixedOK: v.fixedOK})
				if j.Allowed != (len(v.reasons) == 0) {
					t.Errorf("%s: allowed is %v", v.disk, j.Allowed)
				}
				got, want := append([]string{}, j.Reasons...), append([]string{}, v.reasons...)
				sort.Strings(got)
				sort.Strings(want)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("%s, fixed allowed %v (-want +got):\n%s", v.disk, v.fixedOK, diff)
				}
			}
		})
	}
}

// FixedOK may only ever lift the one reason that names it.
func TestFixedOKLiftsNothingElse(t *testing.T) {
	for _, name := range treeNames(t) {
		s := layOut(t, name).snapshot(t)
		for i := range s.Disks {
			plain := device.Judge(s, &s.Disks[i], device.Policy{}).Reasons
			fixed := device.Judge(s, &s.Disks[i], device.Policy{FixedOK: true}).Reasons
			if len(plain) > len(fixed)+1 || len(plain) < len(fixed) {
				t.Errorf("%s in %s: %q became %q", s.Disks[i].Name, name, plain, fixed)
			}
			if diff := cmp.Diff(fixed, plain[:len(fixed)]); diff != "" {
				t.Errorf("%s in %s:\n%s", s.Disks[i].Name, name, diff)
			}
		}
	}
}

// damages are the ways in which one file of a tree may fail to say what it should.
var damages = []struct {
	name  string
	apply func(path string, content []byte) error
}{
	{"removed", func(path string, _ []byte) error { return os.Remove(path) }},
	{"garbled", func(path string, _ []byte) error { return os.WriteFile(path, []byte("?! \x00\n"), 0o644) }},
	{"cut", func(path string, content []byte) error {
		half := content[:len(content)/2] // of a single digit nothing is left
		// A table that is cut exactly between two lines is a sound, shorter table.
		return os.WriteFile(path, []byte(strings.TrimSuffix(string(half), "\n")), 0o644)
	}},
	{"a folder", func(path string, _ []byte) error { // cannot be read, even by root
		if err := os.Remove(path); err != nil {
			return err
		}
		return os.Mkdir(path, 0o755)
	}},
}

// Whatever single file, link or folder is lost or damaged: a disk that was refused stays refused.
func TestNoSingleDamageTurnsNoIntoYes(t *testing.T) {
	for _, name := range treeNames(t) {
		if name == "doubles" {
			continue // what is wrong there is that two disks say the same; silence of one rights it
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := layOut(t, name)
			before := verdicts(b.snapshot(t))
			tried := 0
			check := func(what, path string) {
				tried++
				s, err := device.ReadSnapshot(b.roots)
				if err != nil {
					return // no snapshot, no yes
				}
				for disk, allowed := range verdicts(s) {
					if was, known := before[disk]; allowed && (!known || !was) {
						t.Errorf("%s %s makes %s a target", path, what, disk)
					}
				}
			}
			for _, path := range pathsOf(t, b.base) {
				// The system disk is the same in most trees; three of them tell enough of its damages.
				if !strings.Contains(path, "nvme0") || strings.Contains("nvme-system usb-reader loop-system", name) {
					b.damage(t, path, check)
				}
			}
			if tried < 40 {
				t.Errorf("only %d damages were tried", tried)
			}
		})
	}
}

// verdicts gives for each disk, without and with fixed disks allowed, whether it may be written.
func verdicts(s *device.Snapshot) map[string]bool {
	all := map[string]bool{}
	for i := range s.Disks {
		d := &s.Disks[i]
		all[d.Name] = device.Judge(s, d, device.Policy{}).Allowed
		all[d.Name+" with fixed allowed"] = device.Judge(s, d, device.Policy{FixedOK: true}).Allowed
	}
	return all
}

func pathsOf(t *testing.T, base string) []string {
	t.Helper()
	var paths []string
	err := filepath.WalkDir(base, func(path string, _ fs.DirEntry, err error) error {
		if path != base {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return paths
}

// damage tries all damages on one path and undoes each.
func (b *tree) damage(t *testing.T, path string, check func(what, path string)) {
	t.Helper()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	rel, err := filepath.Rel(b.base, path)
	must(err)
	info, err := os.Lstat(path)
	must(err)
	switch {
	case info.Mode()&fs.ModeSymlink != 0:
		target, err := os.Readlink(path)
		must(err)
		must(os.Remove(path))
		check("removed", rel)
		must(os.Symlink("nowhere", path))
		check("leading nowhere", rel)
		must(os.Remove(path))
		must(os.Symlink(target, path))
	case info.IsDir():
		aside := filepath.Join(filepath.Dir(b.base), "aside")
		must(os.Rename(path, aside))
		check("removed", rel)
		must(os.Rename(aside, path))
	default:
		content, err := os.ReadFile(path)
		must(err)
		for i, d := range damages {
			if len(content) == 0 && i > 0 {
				break // a node below dev says nothing but that it is there
			}
			must(d.apply(path, content))
			check(d.name, rel)
			must(os.RemoveAll(path))
			must(os.WriteFile(path, content, 0o644))
		}
	}
}
